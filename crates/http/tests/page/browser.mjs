// The page in Chromium. The station stands on the other side of stdin and stdout: a
// word is sent (`stop`, `start`, `mute`, `speak`, `hold`, `go`), and `done` comes back.

import assert from 'node:assert/strict'
import { createInterface } from 'node:readline'

import { Browser } from './chromium.mjs'

const [, , base, program] = process.argv
const answers = createInterface({ input: process.stdin })[Symbol.asyncIterator]()

/** Asks the station for something. */
async function station(word) {
  process.stdout.write(`${word}\n`)
  assert.equal((await answers.next()).value, 'done', word)
}

const cell = (row, name) => `document.querySelector('#rows tr:nth-child(${row}) .${name}').textContent`
const isLive = `document.body?.dataset.link === 'live'`
const isLost = `document.body?.dataset.link === 'lost'`

async function live(browser) {
  await browser.until(`${isLive} && document.querySelectorAll('#rows tr').length === 4`, 10_000)
  await browser.until(`${cell(1, 'word')} === 'OK'`, 3000)
  const first = await browser.value(cell(1, 'now'))
  await browser.until(`${cell(1, 'now')} !== ${JSON.stringify(first)}`, 3000)
  assert.match(await browser.text('#head'), /^Recording/)
  assert.equal(await browser.value(cell(1, 'unit')), 'ft/min', 'a channel’s own unit')
  assert.match(await browser.text('#simulated'), /^Simulated/)
  assert.equal(await browser.value(`document.querySelector('#simulated').hidden`), false)
  await browser.until(`document.querySelectorAll('#line-list li').length === 1`, 3000)
  await browser.until(`document.querySelector('#rows .middle').getAttribute('d').length > 0`, 3000)
}

async function units(browser) {
  await browser.value(`document.querySelector('[name=units][value=si]').click()`)
  assert.equal(await browser.value(cell(1, 'unit')), 'm/s')
  await browser.value(`document.querySelector('[name=units][value=configured]').click()`)
}

async function files(browser) {
  const link = () => browser.value(`document.querySelector('.files a').getAttribute('href')`)
  assert.equal(await link(), '/api/v1/export?layout=long&last_s=3600')
  await browser.value(`document.querySelector('#semicolon').click()`)
  assert.equal(await link(), '/api/v1/export?layout=long&last_s=3600&dialect=semicolon')
  const { status, head } = await browser.value(`fetch(document.querySelector('.files a').href).then(async (answer) => ({ status: answer.status, head: (await answer.text()).split('\\r\\n')[0] }))`)
  assert.equal(status, 200)
  assert.match(head, /^time;/)
}

/** A channel that stops is called stale, keeps its number, and is shown by the filter. */
async function stale(browser) {
  await station('hold')
  const took = await browser.until(`${cell(1, 'word')} === 'Stale'`, 4000)
  assert.match(await browser.value(cell(1, 'now')), /^[\d\u202f.]+$/, 'the last number stays')
  await browser.until(`document.querySelector('#text').textContent.includes('stale')`, 2000)
  await station('go')
  await browser.until(`${cell(1, 'word')} === 'OK'`, 3000)
  return `stale after ${took} ms`
}

/** No contact is said, whatever its kind, nothing looks current, and all comes back by itself. */
async function loss(browser, [away, back], most) {
  await browser.value(`window.isSamePage = true`)
  await station(away)
  const took = await browser.until(isLost, most)
  assert.match(await browser.text('#head'), /^No contact/)
  assert.match(await browser.value('document.title'), /^No contact/)
  await browser.until(`[...document.querySelectorAll('#rows .word')].every((word) => ['Stale', 'No data'].includes(word.textContent))`, 1500)
  await station(back)
  const again = await browser.until(isLive, 8000)
  await browser.until(`${cell(1, 'word')} === 'OK' && document.querySelector('#head').textContent === 'Recording.'`, 4000)
  assert.equal(await browser.value('window.isSamePage'), true, 'without loading the page anew')
  return `${away}: told after ${took} ms, live again after ${again} ms`
}

async function narrow(browser) {
  for (const width of [390, 320]) {
    await browser.size(width, 844)
    await browser.until(`innerWidth === ${width}`, 2000)
    assert.equal(await browser.value('document.documentElement.scrollWidth - document.documentElement.clientWidth'), 0, `no sideways scroll at ${width} px`)
  }
  await browser.size(1280, 900)
}

const browser = new Browser(program)
try {
  await browser.open(base)
  await live(browser)
  await units(browser)
  await files(browser)
  const notes = [await stale(browser), await loss(browser, ['stop', 'start'], 1500), await loss(browser, ['mute', 'speak'], 4500)]
  await narrow(browser)
  assert.deepEqual(browser.problems, [])
  process.stderr.write(`${notes.join('\n')}\n`)
} finally {
  await browser.end()
}
process.exit(0)
