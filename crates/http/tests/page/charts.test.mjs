// What the charts and the list of what needs attention are made of, without a browser: `node --test`.

import assert from 'node:assert/strict'
import test from 'node:test'
import { attention } from '../../page/attention.js'
import { csv } from '../../page/csv.js'
import { clock, number, writeNumbers } from '../../page/format.js'
import { shownOf, points } from '../../page/points.js'
import { calmRange, tickText, timeTicks, valueTicks } from '../../page/scale.js'
import { SPAN_LEAST_MS, covers, panned, pinched, withMargin, zoomed } from '../../page/span.js'
import { parts } from '../../page/strip.js'
import { Track } from '../../page/track.js'
import { writer } from '../../page/units.js'

const HOUR = 3_600_000

test('zooming keeps the time under the pointer, and has an end', () => {
  const span = { from: 1000, to: 9000 }
  assert.deepEqual(zoomed(span, 0.5, 3000), { from: 2000, to: 6000 })
  assert.deepEqual(zoomed(zoomed(span, 0.25, 3000), 4, 3000), span, 'and back')
  const least = zoomed(span, 1e-9, 5000)
  assert.equal(least.to - least.from, SPAN_LEAST_MS)
})

test('moving does not lead into the future by more than a tenth', () => {
  assert.deepEqual(panned({ from: 0, to: 1000 }, -0.5, 5000), { from: -500, to: 500 })
  assert.deepEqual(panned({ from: 4000, to: 5000 }, 1, 5000), { from: 4100, to: 5100 })
})

test('two fingers keep the times under them', () => {
  const span = { from: 0, to: 10_000 }
  const made = pinched(span, [0.2, 0.4], [0.1, 0.5])
  const under = (share) => made.from + share * (made.to - made.from)
  assert.ok(Math.abs(under(0.1) - 2000) < 1e-6 && Math.abs(under(0.5) - 4000) < 1e-6)
  assert.deepEqual(pinched(span, [0.2, 0.4], [0.3, 0.3]), span, 'fingers on one spot change nothing')
})

test('what was loaded does for a small step, and not for a closer look', () => {
  const loaded = withMargin({ from: 0, to: 1000 })
  assert.ok(covers(loaded, { from: 100, to: 1100 }))
  assert.ok(!covers(loaded, { from: 300, to: 1300 }))
  assert.ok(!covers(loaded, { from: 400, to: 600 }), 'finer buckets are to be had')
})

// Berlin's clock changed on 2026-03-29 at 01:00 UTC and on 2026-10-25 at 01:00 UTC (IANA tzdata).
test('ticks stand on round hours of the clock, through both of its changes', () => {
  const berlin = clock('Europe/Berlin')
  for (const begin of [Date.UTC(2026, 2, 28, 20), Date.UTC(2026, 9, 24, 20)]) {
    const { ticks, step } = timeTicks({ from: begin, to: begin + 12 * HOUR }, 7, berlin)
    assert.equal(step, 2 * HOUR)
    assert.ok(ticks.length >= 5)
    for (const tick of ticks) assert.match(berlin.time(tick), /^[012][02468]:00:00$/)
  }
  const { ticks, step } = timeTicks({ from: Date.UTC(2026, 8, 1), to: Date.UTC(2026, 11, 1) }, 8, berlin)
  for (const tick of ticks) assert.equal(berlin.time(tick), '00:00:00', 'days begin at midnight there')
  assert.match(tickText(ticks[0], step, berlin), /^\d+ \w{3}$/)
})

test('values have round ticks, and their axis keeps still', () => {
  assert.deepEqual(valueTicks(0, 9.4, 5).ticks, [0, 2, 4, 6, 8])
  assert.equal(valueTicks(0.11, 0.19, 4).places, 2)
  const kept = calmRange(null, [0, 10], 1)
  assert.equal(calmRange(kept, [1, 9], 1), kept, 'a little less keeps it')
  assert.notEqual(calmRange(kept, [4, 6], 1), kept, 'much less does not')
  assert.ok(calmRange(kept, [0, 12], 1)[1] >= 12, 'more than there is room for widens it at once')
})

const history = (mean, more = {}) => ({
  t0: 0, dt: 1000, n: mean.length, ch: ['a'], mean: Float32Array.from(mean), lo: Float32Array.from(mean, (it) => it - 1), hi: Float32Array.from(mean, (it) => it + 1), q: Uint8Array.from(mean, (it) => (Number.isNaN(it) ? 7 : 0)), ...more,
})
const frame = (t, mean, n = 1) => ({ t, dt: 200, mean: [mean], lo: [mean], hi: [mean], n: [n], q: '0' })
const places = new Map([['a', 0]])

test('a track takes frames in, loses no peak, leaves gaps empty and makes room', () => {
  const track = new Track(history([1, 2]), 7)
  track.push(frame(2200, 5), places)
  track.push(frame(2400, 9, 3), places)
  const { mean, lo, hi } = track.columns.get('a')
  assert.deepEqual([mean[2], lo[2], hi[2]], [8, 5, 9])
  track.push(frame(5200, 4), places)
  assert.ok(Number.isNaN(mean[3]) && track.n === 6)
  for (let at = 6200; at < 1_500_000; at += 1000) track.push(frame(at, at), places)
  assert.ok(track.n <= track.room)
  const column = track.columns.get('a')
  const last = track.bucket(1_499_200 - 1)
  assert.equal(column.mean[last], 1_499_200, 'the newest is where its time is, also after old ones were dropped')
})

test('what was not on the disk yet comes from the frames, and nothing counts twice', () => {
  const track = new Track(history([1, 2, NaN, NaN]), 7)
  track.replay([frame(1200, 50), frame(2200, 5), frame(2400, 9, 3), frame(4200, 6)], places)
  const { mean, lo, hi } = track.columns.get('a')
  assert.deepEqual([mean[1], hi[1]], [2, 3], 'history stands')
  assert.deepEqual([mean[2], lo[2], hi[2]], [8, 5, 9])
  assert.ok(Number.isNaN(mean[3]), 'a gap stays one')
  assert.deepEqual([mean[4], track.n], [6, 5])
  track.push(frame(4400, 8), places)
  assert.equal(mean[4], 7, 'and it goes on')
})

test('a line ends where a gap begins, and slow ticks are no gaps', () => {
  const track = new Track(history([1, 2, NaN, NaN, 5, 6]), 7)
  const picture = (period) => parts({ span: { from: 0, to: 6000 }, track }, { column: track.columns.get('a'), period }, 600)
  assert.deepEqual(picture(1000).map((part) => part.map(({ mean }) => mean)), [[1, 2], [5, 6]])
  assert.equal(picture(3000).length, 1)
  const [all] = parts({ span: { from: 0, to: 6000 }, track: new Track(history([1, 2, 3, 9, 5, 6]), 7) }, { column: new Track(history([1, 2, 3, 9, 5, 6]), 7).columns.get('a'), period: 1000 }, 2)
  assert.equal(Math.max(...all.map(({ hi }) => hi)), 10, 'buckets that share a pixel keep their peak')
})

// RFC 4180, section 2: fields with commas or quotes are quoted, lines end with CRLF.
test('what is seen becomes CSV with units, qualities and times', () => {
  const channel = { id: 'a', kind: 'temperature', u: null, resolution: null, unit: '°F', scale: 1.8, zero: 32, si_unit: '°C', us_unit: '°F', us_scale: 1.8, us_zero: 32 }
  const text = csv({
    span: { from: 0, to: 1999 }, track: new Track(history([100, NaN]), 7), clock: clock('Europe/Berlin'),
    channels: [{ name: 'a, "b"', writer: writer(channel, 'us') }, { name: 'a', writer: writer(channel, 'si') }], marks: ['ok', '', '', '', '', '', '', 'none'],
  })
  assert.deepEqual(text.split('\r\n'), [
    'time,"a, ""b"" mean (°F)","a, ""b"" lowest (°F)","a, ""b"" highest (°F)","a, ""b"" quality",a mean (°C),a lowest (°C),a highest (°C),a quality',
    '1970-01-01T01:00:00.000+01:00,,,,none,100.0,99.0,101.0,ok',
    '1970-01-01T01:00:01.000+01:00,,,,none,,,,none',
    '',
  ])
})

test('numbers have the decimal mark that the reader chose', () => {
  writeNumbers(',')
  assert.equal(number(-1234567.891, 1), '−1\u202f234\u202f567,9')
  writeNumbers('.')
  assert.equal(number(1.5, 1), '1.5')
})

test('a point shows one channel of each quantity, air’s own first', () => {
  const channels = ['pressure', 'temperature', 'velocity', 'velocity'].map((kind, index) => ({ id: `P.${index}`, point: 'P', kind }))
  assert.deepEqual(points(channels), [['P', [0, 1, 2, 3]]])
  assert.deepEqual(shownOf(channels, [0, 1, 2, 3]), [2, 1, 0])
})

test('what needs attention: the urgent first, each with its cause', () => {
  const health = { recording: true, trouble: null, disk_free_gb: 3, disk_days: 5.5, clock: 'in step', clock_ms: 0, missed_12h: 4 }
  const channels = [{ name: 'a', mark: 'suspect', why: 'stuck' }, { name: 'b', mark: 'fault', why: 'open loop: below 3.6 mA' }, { name: 'c', mark: 'ok', why: '' }]
  const lines = [{ name: 'bench', state: 'silent', state_since: '2026-11-25T01:00:00Z', error: { at: '', text: 'no answer within 300 ms' }, missed: {}, sources: [] }]
  const items = attention({ health, channels, lines, gaps: '2 gaps in the last 24 hours', time: () => '02:00' })
  assert.deepEqual(items.map(({ level, what }) => `${level}: ${what}`), [
    'act: Line bench: silent', 'act: b has a fault (open loop)', 'look: a is suspect (stuck)', 'look: Room on the disk for 5 days', 'look: Samples are missing',
  ])
  assert.equal(items[1].more, 'Below 3.6 mA.')
  assert.equal(attention({ health: { ...health, recording: false, trouble: 'the disk is full', disk_days: 1 }, channels: [], lines: [], gaps: '', time: String })[0].what, 'Nothing is being recorded')
  assert.deepEqual(attention({ health: { ...health, disk_days: 40, missed_12h: 0 }, channels: [channels[2]], lines: [], gaps: '', time: String }), [])
})
