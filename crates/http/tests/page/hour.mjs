// An hour of live view in front of a page that nobody reloads: what the page holds must not grow.
//
// Time is compressed by the browser itself: its virtual time runs as fast as the page's work lets it. The stream is
// played by the script in the page's place, five frames a second; everything else is the real page and the real station.

import assert from 'node:assert/strict'

import { Hand } from './hand.mjs'

const [, , base, program] = process.argv
const MINUTE = 60_000
/** What may come and go by chance after a collection, bytes. A frame of one channel that were kept for an hour would be 1 MB. */
const SLACK = 200_000

/** In the place of the browser's own, before any script of the page. */
const player = (hello) => `
  globalThis.EventSource = class extends EventTarget {
    constructor() {
      super()
      const hello = { ...${JSON.stringify(hello)}, now: Date.now() }
      const tell = (name, data) => this.dispatchEvent(new MessageEvent(name, { data: JSON.stringify(data), lastEventId: name === 'hello' ? '' : 'a:' + Date.now() }))
      setTimeout(() => tell('hello', hello), 0)
      this.timer = setInterval(() => {
        const t = Date.now()
        const value = () => 5 + Math.random()
        const mean = hello.channels.map(value)
        tell('frame', { t, dt: 200, mean, lo: mean.map((it) => it - 0.1), hi: mean.map((it) => it + 0.1), n: mean.map(() => 2), q: '0'.repeat(mean.length) })
        globalThis.frames_ = (globalThis.frames_ ?? 0) + 1
      }, 200)
    }
    close() { clearInterval(this.timer) }
  }`

const browser = new Hand(program)

/** What is held once everything that is not needed was given back. */
async function held() {
  await browser.send('HeapProfiler.collectGarbage')
  const { usedSize } = await browser.send('Runtime.getHeapUsage')
  const { nodes, jsEventListeners } = await browser.send('Memory.getDOMCounters')
  return { bytes: usedSize, nodes, listeners: jsEventListeners, frames: await browser.value('globalThis.frames_') }
}

/** Lets so much of the page's time pass. */
async function pass(ms) {
  const isOver = browser.once('Emulation.virtualTimeBudgetExpired')
  await browser.send('Emulation.setVirtualTimePolicy', { policy: 'pauseIfNetworkFetchesPending', budget: ms, maxVirtualTimeTaskStarvationCount: 1_000_000 })
  await isOver
}

try {
  const first = await (await fetch(`${base}api/v1/live/stream`)).body.getReader().read()
  const hello = JSON.parse(/data: (.*)/.exec(new TextDecoder().decode(first.value))[1])
  await browser.open('about:blank')
  await browser.send('Page.addScriptToEvaluateOnNewDocument', { source: player(hello) })
  await browser.send('Page.navigate', { url: base })
  await browser.until(`document.body?.dataset.link === 'live'`, 10_000)
  const notes = []
  for (const [view, minutes] of [['now', 60], [`over-time?span=600&ch=${hello.channels.map(({ id }) => id).join(',')}`, 20]]) {
    await browser.goTo(view)
    await pass(11 * MINUTE)
    const before = await held()
    await pass(minutes * MINUTE)
    const after = await held()
    const told = `${view.split('?')[0]}: ${after.frames - before.frames} frames, ${before.bytes} to ${after.bytes} bytes, ${before.nodes} to ${after.nodes} nodes, ${before.listeners} to ${after.listeners} listeners`
    notes.push(told)
    assert.ok(after.frames - before.frames > minutes * 270, told)
    assert.ok(after.bytes - before.bytes < SLACK && after.nodes - before.nodes < 100 && after.listeners - before.listeners < 20, told)
  }
  assert.deepEqual(browser.problems, [])
  process.stderr.write(`${notes.join('\n')}\n`)
} finally {
  await browser.end()
}
process.exit(0)
