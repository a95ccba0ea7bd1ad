// A night of 64 channels, from the click to the screen.
//
// What it costs is held: one request for all channels, and no more points and bytes than a screen can show. What it took
// is told, split into the station's share and the page's; the deadline is wide, since a busy machine and a program that is
// not optimised are no fault of the page. DEVELOPERS.md says how to measure with one that is.

import assert from 'node:assert/strict'

import { Hand } from './hand.mjs'

const [, , base, program] = process.argv
const CHANNELS = 64
const DEADLINE_MS = 10_000
/** Buckets of a channel: twice what a screen is wide. */
const POINTS = 1500
/** Three floats and a mark a bucket, and the head. */
const BYTES = CHANNELS * POINTS * 13 + 4096

const browser = new Hand(program)
try {
  await browser.open(base)
  await browser.until(`document.body?.dataset.link === 'live' && document.querySelectorAll('#rows tr').length === ${CHANNELS}`, 20_000)
  const names = await browser.value(`[...document.querySelectorAll('#choose-channels input')].map((box) => box.value)`)
  assert.equal(names.length, CHANNELS)
  await browser.goTo(`over-time?span=600&ch=${names.join(',')}`)
  await browser.until(`performance.getEntriesByName('history drawn').length >= 1 && document.querySelectorAll('.strip canvas').length === ${CHANNELS}`, DEADLINE_MS)
  // From the click on 12 h to the frame in which it is drawn.
  const { took, requests } = await browser.value(`new Promise((resolve) => {
    performance.clearMarks()
    performance.clearResourceTimings()
    const begin = performance.now()
    document.querySelector('[name=span][value="43200"]').click()
    const asked = () => performance.getEntriesByType('resource').filter(({ name }) => new URL(name).pathname.endsWith('/history')).map((entry) => {
      const query = new URL(entry.name).searchParams
      return { from: Number(query.get('from')), to: Number(query.get('to')), channels: query.get('ch').split(',').length, bytes: entry.decodedBodySize, sent: entry.encodedBodySize, ms: entry.duration, waited: entry.responseStart - entry.requestStart, end: entry.responseEnd }
    })
    const look = () => {
      const requests = asked()
      const last = requests.find(({ from, to }) => to - from > 43_000_000)
      if (last && performance.getEntriesByName('history drawn').some(({ startTime }) => startTime >= last.end)) requestAnimationFrame(() => resolve({ took: performance.now() - begin, requests }))
      else if (performance.now() - begin > ${DEADLINE_MS}) resolve({ took: Infinity, requests })
      else setTimeout(look, 5)
    }
    look()
  })`)
  assert.ok(took < DEADLINE_MS, `12 h of ${CHANNELS} channels took ${took} ms`)
  assert.equal(requests.length, 1, JSON.stringify(requests))
  const [{ from, to, channels, bytes, sent, ms, waited }] = requests
  assert.equal(channels, CHANNELS)
  assert.ok(bytes > 0 && bytes <= BYTES && sent < bytes / 1.5, `${bytes} bytes, ${sent} on the wire`)
  const points = await browser.value(`fetch('/api/v1/history?fmt=json&max=${POINTS}&from=${from}&to=${to}&ch=' + ${JSON.stringify(names[0])}).then((answer) => answer.json()).then(({ n }) => n)`)
  assert.ok(points >= 500 && points <= POINTS, `${points} buckets`)
  // Strips that are scrolled away are drawn when they come into view.
  const isDrawn = await browser.value(`[...document.querySelectorAll('.strip canvas')].filter((canvas) => canvas.getBoundingClientRect().bottom < innerHeight).every((canvas) => canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data.some((value) => value > 0))`)
  assert.ok(isDrawn, 'every strip in view shows something')
  await browser.value(`document.querySelector('.strip:last-of-type, .strip.last').scrollIntoView()`)
  await browser.until(`(() => { const canvas = document.querySelector('.strip.last canvas'); return canvas.width > 0 && canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data.some((value) => value > 0) })()`, 3000)
  assert.match(await browser.text('#span-said'), /12 h$/)
  process.stderr.write(`12 h of ${CHANNELS} channels on the screen after ${Math.round(took)} ms: the station took ${Math.round(waited)}, the wire ${Math.round(ms - waited)}, the page ${Math.round(took - ms)}; ${bytes} bytes, ${sent} on the wire, ${points} buckets\n`)
} finally {
  await browser.end()
}
process.exit(0)
