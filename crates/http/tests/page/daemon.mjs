// The page against the real daemon on the rig: values move, a loop is cut, a run goes from its start to its
// file, charts are read and zoomed by keys, the daemon is started anew, and a viewer signs in.
//
// Whoever runs this obeys the lines that it writes (an order each) and answers each with a line.

import assert from 'node:assert/strict'
import { createInterface } from 'node:readline'

import { Browser } from './chromium.mjs'

const [, , base, program] = process.argv
const answers = createInterface({ input: process.stdin })[Symbol.asyncIterator]()

/** Has an order obeyed; gives the answer. */
async function order(text) {
  process.stdout.write(`${text}\n`)
  const { value } = await answers.next()
  return value
}

const browser = new Browser(program)
const text = (selector) => `(document.querySelector(${JSON.stringify(selector)})?.textContent ?? '')`
const click = (selector) => browser.value(`document.querySelector(${JSON.stringify(selector)}).click()`)
const press = async (key, code = key) => {
  for (const type of ['keyDown', 'keyUp']) await browser.send('Input.dispatchKeyEvent', { type, key, code, text: type === 'keyDown' && key.length === 1 ? key : undefined })
}
/** Presses the button with these words. */
const button = (words) => browser.value(`[...document.querySelectorAll('button')].find((it) => it.textContent === ${JSON.stringify(words)} && it.checkVisibility()).click()`)
const fill = async (name, value) => {
  const field = `document.querySelector('dialog[open] [name=${name}]')`
  await browser.until(`${field} !== null`, 3000)
  await browser.value(`${field}.value = ${JSON.stringify(value)}`)
}
const confirm = () => browser.value(`document.querySelector('dialog[open] form').requestSubmit()`)

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
  assert.match(await browser.value(text('#plans .tag[data-mark=fault]')), /Z1-left.*Fault/)
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
  await button('Stop')
  await confirm()
  await browser.until(`${text('#runs h2')}.includes('Ended')`, 5000)
  const head = await browser.value(`fetch([...document.querySelectorAll('.files-of-run a')].find((link) => link.href.includes('wide')).href).then((answer) => answer.text()).then((text) => text.split('\\r\\n')[0])`)
  assert.match(head, /^time,.*Z1-left\.velocity/)
  await button('Discard')
  await fill('name', 'another')
  await fill('why', 'a try')
  await confirm()
  await browser.until(`${text('dialog[open] .wrong')} !== ''`, 3000)
  await fill('name', 'soak')
  await confirm()
  await browser.until(`!location.hash.includes('id=') && ${text('#runs')}.includes('There is no run yet')`, 5000)
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
  await press('Escape')
  assert.match(await browser.value(text('#span-said')), /to now/)
  await click('#all-channels')
  const took = await browser.until(`document.querySelectorAll('.strip canvas').length === document.querySelectorAll('#rows tr').length`, 3000)
  return `every strip after ${took} ms`
}

/** The same page comes back by itself, and the gap is told with its cause. */
async function restart() {
  await browser.value(`window.isSamePage = true; location.hash = 'station'`)
  await order('stop')
  await browser.until(`document.body.dataset.link === 'lost'`, 3000)
  assert.match(await browser.value(text('#head')), /^No contact/)
  await order('start')
  await browser.until(`document.body.dataset.link === 'live'`, 15_000)
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
  assert.equal(await browser.value(canStart), false, 'a viewer sees no button that would be refused')
  const refused = await browser.value(`fetch('/api/v1/runs', { method: 'POST', headers: { 'content-type': 'application/json' }, body: '{}' }).then((answer) => answer.status)`)
  assert.equal(refused, 403)
  assert.equal(await browser.value(`document.cookie`), '', 'no script can read the token')
}

try {
  await browser.open(base)
  const notes = [await now(), await cut(), await run(), await charts(), await restart()]
  assert.deepEqual(browser.problems.filter((problem) => !/422|404|409/.test(problem)), [])
  await viewer()
  process.stderr.write(`${notes.filter(Boolean).join('\n')}\n`)
} finally {
  await browser.end()
}
process.exit(0)
