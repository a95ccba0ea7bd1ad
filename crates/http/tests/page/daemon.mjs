// The page against the real daemon on the rig: values move, a loop is cut, a run goes from its start to its
// files, a probe goes through a duct, charts are read and zoomed by keys, the daemon is started anew, and a viewer
// signs in.

import assert from 'node:assert/strict'

import { Hand, order, text } from './hand.mjs'

const [, , base, program, pictures] = process.argv
const browser = new Hand(program)
const button = (words) => browser.button(words)
const fill = (name, value) => browser.fill(name, value)
const confirm = () => browser.confirm()
const press = (key) => browser.press(key)
const click = (selector) => browser.click(selector)

async function now() {
  await browser.until(`document.body?.dataset.link === 'live' && document.querySelectorAll('#rows tr').length >= 36`, 15_000)
  await browser.until(`document.querySelectorAll('#plans .tag').length >= 9`, 5000)
  const first = await browser.value(text('#rows .now'))
  await browser.until(`${text('#rows .now')} !== ${JSON.stringify(first)}`, 5000)
  await browser.until(`/(\\d+) of \\1 good/.test(${text('#glance')})`, 15_000)
}

async function cut() {
  await order('cut Z1-left.velocity')
  const took = await browser.until(`${text('#attention .act')}.includes('Z1-left.velocity')`, 3000)
  await browser.until(`/Z1-left.*Fault/.test(${text('#plans .tag[data-mark=fault]')})`, 2000)
  await order('clear')
  await browser.until(`!${text('#attention')}.includes('Z1-left.velocity')`, 5000)
  return `a cut loop is told after ${took} ms`
}

async function run() {
  await browser.value(`location.hash = 'runs'`)
  await browser.until(`${text('#runs')}.includes('There is no run yet')`, 5000)
  await button('Start a run')
  await fill('name', 'a b')
  await fill('by', 'test')
  await confirm()
  await browser.until(`${text('dialog[open] .wrong')}.includes('a b')`, 3000)
  await fill('name', 'soak')
  await confirm()
  await browser.until(`${text('#runs h2')}.includes('soak') && ${text('#runs h2')}.includes('Running')`, 8000)
  await button('Add a note')
  await fill('text', 'door opened')
  await confirm()
  await browser.until(`${text('#runs')}.includes('door opened')`, 5000)
  // Fewer than eight readings have no budget.
  await browser.until(`Number.parseInt(${text('.lasting')}) >= 10`, 20_000)
  await button('Stop')
  await confirm()
  await browser.until(`${text('#runs h2')}.includes('Ended')`, 5000)
  await button('Ask an evaluation')
  await fill('kind', 'mean')
  await confirm()
  await fill('channels', 'Z1-left.temperature')
  await fill('by', 'test')
  await confirm()
  await browser.until(`${text('.result')}.includes('Z1-left.temperature') && [...document.querySelectorAll('.result summary')].some((it) => /^Budget/.test(it.textContent))`, 15_000)
  await files()
  await button('Discard')
  await fill('name', 'another')
  await fill('why', 'a try')
  await confirm()
  await browser.until(`${text('dialog[open] .wrong')} !== ''`, 3000)
  await fill('name', 'soak')
  await confirm()
  await browser.until(`!location.hash.includes('id=') && ${text('#runs')}.includes('There is no run yet')`, 5000)
}

/** Files arrive whole, by name, and say how far they are. */
async function files() {
  const table = await browser.download('CSV, a column per channel')
  assert.match(table.split('\r\n')[0], /^time,.*Z1-left\.velocity/)
  const gaps = await browser.download('Gaps and their causes, CSV')
  assert.match(gaps, /^channel,|^from,/)
  // Where nobody has installed the typesetter, the recorder's own words stand beside the file.
  if ((await order('is there a typesetter')) === 'yes') {
    assert.match(await browser.download('Test report, PDF', 'latin1'), /^%PDF-1\./)
  } else {
    await assert.rejects(browser.download('Test report, PDF'), /zonda-typeset.*Nothing was kept/)
  }
}

/** One probe through a duct, guided on a phone. The same velocity flows at every point, so their mean is that. */
async function traverse() {
  await browser.size(390, 844)
  await button('Start a run')
  await fill('name', 'flow')
  await fill('by', 'test')
  await confirm()
  await browser.until(`${text('#runs h2')}.includes('flow')`, 8000)
  await browser.value(`[...document.querySelectorAll('#runs a')].find((it) => it.textContent === 'Traverse').click()`)
  await button('Begin a traverse')
  for (const [name, value] of [['layout', 'one-line'], ['probe', 'exhaust-centre'], ['dwell', '9 s'], ['patience', '1 s']]) await fill(name, value)
  await confirm()
  // 0-10 V stand for 0-20 m/s; a point of fewer than eight readings has no uncertainty.
  await order('apply exhaust-centre.velocity 3.0000 V')
  const visited = []
  await browser.until(`/^Move/.test(${text('.target')})`, 15_000)
  await browser.portray(pictures, 'traverse-going', [[390, 844]])
  await browser.size(390, 844)
  const faults = await browser.faultsInBoth('a traverse, the probe to be moved')
  for (;;) {
    await browser.until(`/^Move|^Every/.test(${text('.target')})`, 15_000)
    const [said, mark] = [await browser.value(text('.target')), await browser.value(text('.mark'))]
    if (said.startsWith('Every')) break
    const point = /point (\d+)/.exec(said)?.[1]
    assert.match(mark, /^[\d.]+ mm$/)
    const isInReach = await browser.value(`(() => { const { top, bottom, height } = document.querySelector('button.big').getBoundingClientRect(); return height >= 44 && top > 0 && bottom < document.querySelector('#views').getBoundingClientRect().top })()`)
    assert.ok(isInReach, `the button of point ${point} is not in reach of a thumb`)
    await button(`The probe is at point ${point}`)
    await browser.until(`/being read|waiting/.test(${text('.target')})`, 5000)
    if (!visited.length) faults.push(...(await browser.faultsInBoth('a traverse, a point being read')))
    visited.push(point)
  }
  assert.deepEqual(faults, [])
  assert.deepEqual(visited, ['1', '2', '3', '4', '1'], 'every point, and the first one again')
  assert.match(await browser.value(text('.traverse')), /Mean over the area: [56]\.\d+ m\/s/)
  await button('End the traverse')
  await confirm()
  await browser.until(`${text('.target')} === 'The traverse is over.'`, 5000)
  await browser.value(`document.querySelector('#runs a').click()`)
  await browser.until(`/volume flow/i.test(${text('#runs')})`, 15_000)
  await order('clear')
  await browser.size(1280, 900)
}

/** A loop is checked with a calibrator, and a range put right after a look at what would change. */
async function instruments() {
  await browser.goTo('instruments')
  await browser.until(`/findings/.test(${text('#prestart')}) && document.querySelectorAll('.agreement .dot').length > 0`, 15_000)
  await button('Begin a loop check')
  await fill('channel', 'Z1-right.velocity')
  await fill('by', 'test')
  await confirm()
  for (let point = 1; ; point++) {
    await browser.until(`${text('#loop-checks .target')}.startsWith('Point ${point}:') || ${text('#loop-checks .target')}.startsWith('All points')`, 20_000)
    const [, signal] = /apply ([\d.]+ (?:V|mA))/.exec(await browser.value(text('#loop-checks .target'))) ?? []
    if (!signal) break
    await order(`apply Z1-right.velocity ${signal}`)
    await button('It stands on the loop')
  }
  assert.match(await browser.value(text('#loop-checks .target')), /passed/)
  await order('clear')
  await button('The loop is back in service')
  await browser.until(`/Z1-right\.velocity.*Passed/.test(${text('#loop-checks tbody')})`, 10_000)

  await button('Correct a range')
  for (const [name, value] of [['channel', 'Z1-right.velocity'], ['range', '0-40 m/s'], ['from', new Date(Date.now() - 15_000).toISOString()], ['reason', 'set otherwise at the meter'], ['by', 'test']]) await fill(name, value)
  await confirm()
  await browser.until(`/of \\d+ samples would change/.test(${text('dialog[open]')})`, 5000)
  await confirm()
  await browser.until(`/Z1-right\.velocity.*Done/.test(${text('#corrections')}) || /Done/.test(${text('#corrections')})`, 15_000)
}

/** Pictures of every view, for people to look at. */
async function portraits() {
  for (const [name, view] of [['now', 'now'], ['over-time', 'over-time?span=600&ch=Z1-left.velocity,Z1-left.temperature'], ['runs', 'runs'], ['run', 'runs?id=2'], ['traverse', 'runs?id=2&guide'], ['instruments', 'instruments'], ['station', 'station']]) {
    await browser.goTo(view)
    await browser.until(`document.querySelector('.view:not([hidden])').textContent.trim() !== ''`, 5000)
    if (name === 'instruments') await browser.until(`document.querySelectorAll('.agreement').length > 0`, 5000)
    await browser.portray(pictures, name)
  }
}

/** Read, zoomed and left by keys alone. */
async function charts() {
  await browser.value(`location.hash = 'over-time?span=600&ch=Z1-left.velocity,Z1-left.temperature'`)
  await browser.until(`document.querySelectorAll('.strip canvas').length === 2 && ${text('#readout')} !== ''`, 5000)
  await browser.value(`document.querySelector('#strips').focus()`)
  for (let step = 0; step < 3; step++) await press('ArrowLeft')
  assert.match(await browser.value(text('#readout')), /mean \(lowest to highest\)/)
  await browser.until(`/^[\\d.]+ m\\/s/.test(${text('.key .value')})`, 2000)
  assert.match(await browser.value(text('#span-said')), /to now/)
  await press('+')
  assert.match(await browser.value(text('#span-said')), /5 min$/)
  assert.match(await browser.value('location.hash'), /from=\d+&to=\d+/)
  // Zoomed about the cursor, which stood close to the end.
  const seen = await browser.value(`new URLSearchParams(location.hash.split('?')[1]).get('to')`)
  assert.ok(Math.abs(Date.now() - Number(seen)) < 60_000, `${seen} is not about now`)
  await press('Escape')
  assert.match(await browser.value(text('#span-said')), /to now/)
  await click('#all-channels')
  const took = await browser.until(`document.querySelectorAll('.strip canvas').length === document.querySelectorAll('#rows tr').length`, 3000)
  return `every strip after ${took} ms`
}

/** The same page comes back by itself, and the gap is told with its cause. */
async function restart() {
  await browser.value(`window.isSamePage = true; location.hash = 'over-time?span=60&ch=Z1-left.velocity'`)
  await browser.until(`${text('#readout')} !== '' || document.querySelectorAll('.strip canvas').length === 1`, 5000)
  await order('stop')
  await browser.until(`document.body.dataset.link === 'lost'`, 3000)
  assert.match(await browser.value(text('#head')), /^No contact/)
  await order('start')
  await browser.until(`document.body.dataset.link === 'live'`, 15_000)
  await browser.until(`${text('#happened')}.includes('The recorder was not running')`, 12_000)
  await browser.goTo('station')
  await browser.until(`${text('#gap-rows')}.includes('The recorder was not running')`, 12_000)
  assert.equal(await browser.value('window.isSamePage'), true)
}

async function viewer() {
  const token = await order('token view')
  await browser.value(`location.hash = 'runs'`)
  const canStart = `[...document.querySelectorAll('#runs button')].some((it) => it.textContent === 'Start a run' && it.checkVisibility())`
  await browser.until(canStart, 5000)
  await click('#sign-in')
  await fill('token', token)
  await confirm()
  await browser.until(`document.body.dataset.role === 'view'`, 5000)
  await refusedButtons()
  const refused = await browser.value(`fetch('/api/v1/runs', { method: 'POST', headers: { 'content-type': 'application/json' }, body: '{}' }).then((answer) => answer.status)`)
  assert.equal(refused, 403)
  assert.equal(await browser.value(`document.cookie`), '', 'no script can read the token')
}

/** Every button that a viewer sees only looks, or changes this browser alone. */
async function refusedButtons() {
  const harmless = /^(Display|Close|All|None|Freeze digits|Go on|Try now|Reload|Earlier|Later|Closer|Wider|Back to now|Copy as CSV|Check again|Sign in|Sign out|Try again|Cancel|×)$/
  const runs = await browser.value(`fetch('/api/v1/runs').then((answer) => answer.json()).then(({ runs }) => runs.map(({ id }) => id))`)
  for (const view of ['now', 'over-time', 'runs', ...runs.flatMap((id) => [`runs?id=${id}`, `runs?id=${id}&guide`]), 'instruments', 'station']) {
    await browser.goTo(view)
    await browser.until(`document.body.dataset.view === ${JSON.stringify(view.split('?')[0])}`, 2000)
    await browser.until(`document.querySelector('.view:not([hidden])').textContent.trim() !== ''`, 5000)
    const seen = await browser.value(`[...document.querySelectorAll('main button')].filter((it) => it.checkVisibility() && !it.classList.contains('tag')).map((it) => it.textContent)`)
    assert.deepEqual(seen.filter((words) => !harmless.test(words)), [], `${view} for a viewer`)
  }
}

try {
  await browser.open(base)
  const notes = [await now(), await cut(), await instruments(), await run(), await traverse(), await portraits(), await charts(), await restart()]
  // Refused on purpose, or by a station without the typesetter.
  assert.deepEqual(browser.problems.filter((problem) => !/422|404|409|501/.test(problem)), [])
  await viewer()
  process.stderr.write(`${notes.filter(Boolean).join('\n')}\n`)
} finally {
  await browser.end()
}
process.exit(0)
