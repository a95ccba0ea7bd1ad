// What the page's modules compute, without a browser: `node --test`.

import assert from 'node:assert/strict'
import test from 'node:test'
import { Board } from '../../page/board.js'
import { age, clock, decimals, known, length, number } from '../../page/format.js'
import { chained, joined } from '../../page/lists.js'
import { simulation, state } from '../../page/state.js'
import { BUCKETS, BUCKET_MS, Trend, paths, unpack } from '../../page/trend.js'

const channel = (more = {}) => ({
  id: 'Z1.velocity', point: 'Z1', label: 'Z1.velocity', kind: 'velocity', u: null, resolution: null,
  unit: 'm/s', si_unit: 'm/s', scale: 1, zero: 0, period_ms: 1000, simulated: false, ...more,
})
const QUALITY = ['ok', 'suspect', 'under', 'over', 'fault', 'stale', 'off', 'none']
const hello = (more = {}) => ({
  quality: QUALITY, channels: [channel(), channel({ id: 'Z2.velocity', point: 'Z2' })], last: [null, [900, 7]],
  why: {}, health: { recording: true, trouble: null }, now: Date.now(), ...more,
})
const frame = (t, mean, n = 1, q = '00') => ({ t, dt: 200, mean: [mean, null], lo: [mean, null], hi: [mean, null], n: [n, 0], q })

// JCGM 100:2008, 7.2.6: one or two significant digits of an uncertainty are enough.
test('decimals follow the uncertainty, or the count', () => {
  for (const [u, scale, places] of [[0.05, 1, 2], [0.12, 1, 2], [0.29, 1, 2], [0.3, 1, 1], [0.05, 196.850394, 0], [1.2, 1, 1], [1.2, 1.8, 1], [20, 1, 0]]) {
    assert.equal(decimals(channel({ u }), scale), places, `u = ${u} × ${scale}`)
  }
  for (const [resolution, scale, places] of [[0.0016, 1, 2], [0.02, 1, 1], [0.0016, 196.85, 0], [3, 1, 0]]) {
    assert.equal(decimals(channel({ resolution }), scale), places, `a count of ${resolution} × ${scale}`)
  }
  assert.equal(decimals(channel({ kind: 'temperature' }), 1), 1)
  assert.equal(decimals(channel({ kind: 'pressure' }), 1), 2)
})

// JCGM 100:2008, 7.2.6: the value is written to the last digit of its uncertainty.
test('a value has the digits that its uncertainty has', () => {
  for (const [value, expanded, text] of [[-0.0031, 0.00042, '−0.0031 ± 0.0004'], [1.00042, 0.00103, '1.0004 ± 0.0010'], [8.481, 0.24, '8.48 ± 0.24'], [196.372, 3.4, '196 ± 3']]) assert.equal(known(value, expanded), text)
})

test('numbers are written with a true minus and thin blanks', () => {
  for (const [value, places, text] of [[6.1, 2, '6.10'], [-0.04, 1, '0.0'], [-3.26, 1, '−3.3'], [12345.678, 1, '12\u202f345.7'], [1234, 0, '1234'], [-1234567, 0, '−1\u202f234\u202f567'], [NaN, 2, '–'], [Infinity, 0, '–']]) {
    assert.equal(number(value, places), text)
  }
})

test('lengths and ages have at most two units', () => {
  for (const [ms, text] of [[0, 'under 1 s'], [999, 'under 1 s'], [1000, '1 s'], [59_400, '59 s'], [60_000, '1 min'], [96_000, '1 min 36 s'], [3_600_000, '1 h'], [3_725_000, '1 h 2 min'], [90_000_000, '1 d 1 h']]) {
    assert.equal(length(ms), text)
  }
  assert.equal(age(1999), '')
  assert.equal(age(2999), '2 s old')
})

// Berlin's change to winter time on 2026-10-25 at 01:00 UTC, and half an hour in
// St. John's (IANA tzdata).
test('times are the laboratory’s, through a change of its clock', () => {
  const berlin = clock('Europe/Berlin')
  const before = Date.UTC(2026, 9, 25, 0, 30)
  assert.deepEqual([berlin.time(before), berlin.offset(before)], ['02:30:00', 'UTC+2'])
  assert.deepEqual([berlin.time(before + 3_600_000), berlin.offset(before + 3_600_000)], ['02:30:00', 'UTC+1'])
  assert.equal(clock('America/St_Johns').offset(Date.UTC(2026, 0, 1)), 'UTC−3:30')
  assert.equal(clock('UTC').offset(before), 'UTC')
  assert.equal(clock('Nowhere/Nothing').time(before), '00:30:00')
  assert.equal(berlin.when(before, before + 60_000), '02:30:00')
  assert.equal(berlin.when(before, before + 86_400_000), '2026-10-25 02:30:00')
})

test('a board shows the mean of half a second, and keeps what stopped', () => {
  const board = new Board(hello())
  assert.deepEqual([board.shown(1), board.at[1]], [7, 900])
  assert.ok(Number.isNaN(board.shown(0)))
  assert.equal(board.push(frame(1000, 1)), true)
  assert.equal(board.push(frame(1200, 2, 3)), true)
  assert.equal(board.push(frame(1200, 9)), false, 'a frame that is replayed')
  assert.equal(board.shown(0), (1 + 2 * 3) / 4)
  board.push(frame(1700, null, 0, '57'))
  assert.deepEqual([board.shown(0), board.at[0], board.mark[0], board.mark[1]], [2, 1200, 'stale', 'none'])
})

test('a trend loses no peak and empties what is older than ten minutes', () => {
  const trend = new Trend(2)
  const start = 1_000_000 * BUCKET_MS
  for (let k = 1; k <= 100; k++) trend.push(frame(start + k * 200, k === 37 ? 99 : k % 5))
  assert.deepEqual([trend.summary(0).lo, trend.summary(0).hi], [0, 99])
  assert.ok(Number.isNaN(trend.summary(1).mean))
  trend.reach(start + BUCKETS * BUCKET_MS + 20_000)
  assert.equal(trend.summary(0).hi, -Infinity, 'everything is gone')
})

test('history and frames of one bucket do not count twice', () => {
  const trend = new Trend(2)
  const t0 = 1_000_000 * BUCKET_MS
  trend.push(frame(t0 + BUCKET_MS + 200, 4))
  const history = { t0, dt: BUCKET_MS, n: 2, ch: ['Z1.velocity'], mean: Float32Array.of(2, 3), lo: Float32Array.of(1, 1), hi: Float32Array.of(3, 9), q: new Uint8Array(2) }
  trend.load(history, new Map([['Z1.velocity', 0]]))
  assert.deepEqual(trend.summary(0), { lo: 1, hi: 9, mean: 3 })
})

test('a gap is drawn as one, unless the next tick is not due yet', () => {
  const trend = new Trend(2)
  const start = 1_000_000 * BUCKET_MS
  trend.push(frame(start + 200, 1))
  trend.push(frame(start + 4 * BUCKET_MS + 200, 2))
  const box = { width: BUCKETS, height: 24, least: 0 }
  assert.equal(paths(trend, 0, { ...box, period: 1000 }).gaps.match(/M/g)?.length, 2, 'before the first sample, and in between')
  assert.equal(paths(trend, 0, { ...box, period: 20_000 }).gaps.match(/M/g)?.length, 1)
  assert.deepEqual(paths(trend, 1, { ...box, period: 1000 }), { band: '', mean: '', gaps: `M0 0H${BUCKETS}V24H0Z` }, 'nothing at all')
})

test('a packed history is read by its description', () => {
  const head = new TextEncoder().encode(JSON.stringify({ v: 1, t0: 5, dt: 10, n: 2, ch: ['a'], cols: [] }).padEnd(68))
  const bytes = new Uint8Array(4 + head.length + 13 * 2)
  new DataView(bytes.buffer).setUint32(0, head.length, true)
  bytes.set(head, 4)
  ;[1.5, NaN, 1, NaN, 2, NaN].forEach((value, index) => new DataView(bytes.buffer).setFloat32(4 + head.length + 4 * index, value, true))
  bytes.set([0, 7], 4 + head.length + 24)
  const history = unpack(bytes.buffer)
  assert.deepEqual([history.t0, history.n, [...history.mean], [...history.hi], [...history.q]], [5, 2, [1.5, NaN], [2, NaN], [0, 7]])
})

const live = { state: 'live', since: 0, heard: 1, retryAt: 0, note: '' }
const say = (marks, more = {}) => {
  const channels = marks.map(([name, mark, why = '']) => ({ name, mark, why }))
  const { head, text } = state({ link: live, health: { recording: true }, channels, time: String, ...more })
  return `${head} ${text}`
}

test('the sentence says whether it records, and what is wrong', () => {
  assert.equal(say([['a', 'ok'], ['b', 'ok'], ['c', 'off']]), 'Recording. All 2 channels are good.')
  assert.equal(say([['a', 'ok'], ['b', 'fault', 'open loop']]), 'Recording. 1 of 2 channels is good. b has a fault (open loop).')
  const silent = ['b', 'c', 'd'].map((name) => [name, 'stale', 'timeout: no answer within 300 ms'])
  assert.equal(say([['a', 'under', 'under range'], ...silent]), 'Recording. None of 4 channels are good. 3 channels, such as b, are stale (timeout); a is under range.')
  const many = ['fault', 'stale', 'over', 'under'].map((mark, index) => [`c${index}`, mark, mark])
  assert.match(say(many), /c0 has a fault; c1 is stale; 2 more need a look\.$/)
  assert.equal(say([]), 'Recording. No channels are configured, so there is nothing to record yet.')
})

test('nothing looks current without contact, and trouble comes first', () => {
  const lost = { ...live, state: 'lost', heard: 42 }
  assert.equal(say([['a', 'ok']], { link: lost }), 'No contact with the recorder since 42. Every value below is old. Recording may well be going on; this page cannot tell.')
  assert.match(say([['a', 'ok']], { link: { ...lost, note: 'It said so.' } }), /old\. It said so\.$/)
  assert.match(say([['a', 'fault']], { health: { recording: false, trouble: 'the disk is full' } }), /^Not recording: the disk is full\./)
})

test('simulation is said in full or in part', () => {
  assert.equal(simulation([{ simulated: false }]), null)
  assert.match(simulation([{ simulated: true }]) ?? '', /^No number here/)
  assert.match(simulation([{ simulated: true }, { simulated: false }]) ?? '', /1 channel; each is marked/)
})

test('gaps of one stretch and cause are one, and those that follow each other too', () => {
  const gap = (channel, from, to, cause) => ({ channel, from, to, cause, detail: cause, missed: 2 })
  const gaps = [gap('a', '1', '2', 'timeout'), gap('b', '1', '2', 'timeout'), gap('a', '2', '3', 'no_answer'), gap('b', '2', '3', 'no_answer'), gap('a', '3', null, 'timeout'), gap('b', '4', null, 'timeout')]
  assert.deepEqual(chained(joined(gaps)).map(({ channels, from, to, missed, causes }) => [channels.join('+'), from, to, missed, causes.join()]), [
    ['a+b', '1', '3', 8, 'timeout,no_answer'],
    ['a', '3', null, 2, 'timeout'],
    ['b', '4', null, 2, 'timeout'],
  ])
})
