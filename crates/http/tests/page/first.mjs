// The first run against the real daemon: no configuration, a meter that talks at a serial port, a configuration
// made of what was found, and the recorder's own page in its place, without loading anything by hand.

import assert from 'node:assert/strict'

import { Hand, order, text } from './hand.mjs'

const [, , base, program, pictures] = process.argv
const browser = new Hand(program)
const area = `document.querySelector('#toml')`

try {
  await browser.open(base)
  await browser.until(`/Nothing is recorded yet/.test(${text('#state')}) && /station\\.toml/.test(${text('#state')})`, 10_000)
  assert.equal(await browser.value(`fetch('/readyz').then((answer) => answer.status)`), 503)
  await browser.until(`/Text lines/.test(${text('#found')}) && /\\[line\\./.test(${area}.value)`, 60_000)
  for (const width of [1280, 390]) {
    await browser.size(width, 844)
    assert.equal(await browser.value('document.documentElement.scrollWidth - document.documentElement.clientWidth'), 0, `no sideways scroll at ${width} px`)
  }

  assert.deepEqual(await browser.faults(), [])
  await browser.portray(pictures, 'first-run')

  // A mistake is said by its line, and nothing is saved.
  await browser.value(`${area}.value = ${area}.value.replace('every', 'evry')`)
  await browser.button('Save and begin to record')
  await browser.until(`/evry/.test(${text('#mistakes')}) && /nothing was saved/.test(${text('#verdict')})`, 5000)
  assert.equal(await order('is it there'), 'no')
  await browser.value(`${area}.value = ${area}.value.replace('evry', 'every').replace('data = "data"', ${JSON.stringify((await order('data')).replaceAll('\\n', '\n'))})`)
  await browser.button('Check')
  await browser.until(`${text('#verdict')} === 'No mistakes.'`, 5000)
  assert.equal(await order('is it there'), 'no', 'a check saves nothing')

  await browser.button('Save and begin to record')
  await browser.until(`document.body?.dataset.link === 'live' && document.querySelectorAll('#rows tr').length > 0`, 20_000)
  await browser.until(`/^Recording/.test(${text('#head')}) && [...document.querySelectorAll('#rows .word')].some((it) => it.textContent === 'OK')`, 15_000)
  assert.equal(await order('is it there'), 'yes')
  const refused = browser.problems.filter((problem) => !/404|503|ERR_|Failed to fetch/.test(problem))
  assert.deepEqual(refused, [])
} finally {
  await browser.end()
}
process.exit(0)
