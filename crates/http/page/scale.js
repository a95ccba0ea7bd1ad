// Ticks of a time axis on round times of a clock, and of a value axis on round numbers. Pure.

const [SECOND, MINUTE, HOUR, DAY] = [1000, 60_000, 3_600_000, 86_400_000]
const STEPS = [1, 2, 5, 10, 15, 30].map((n) => n * SECOND)
  .concat([1, 2, 5, 10, 15, 30].map((n) => n * MINUTE), [1, 2, 3, 6, 12].map((n) => n * HOUR), [1, 2, 7, 14, 28, 91, 182, 364].map((n) => n * DAY))

/** @typedef {ReturnType<typeof import('./format.js').clock>} Clock */

/**
 * Times on round hours of the clock, through its changes between summer and winter too.
 *
 * @param {import('./span.js').Span} span @param {number} room the most ticks that fit @param {Clock} clock
 */
export function timeTicks({ from, to }, room, clock) {
  const step = STEPS.find((step) => (to - from) / step <= room) ?? STEPS[STEPS.length - 1]
  // Half an hour at a time, so that a change of the clock inside the span misplaces nothing.
  const stride = Math.min(step, HOUR / 2)
  const local = (/** @type {number} */ at) => at + clock.east(at) * MINUTE
  const first = from - (local(from) % stride) + (local(from) % stride ? stride : 0)
  const ticks = []
  if ((to - from) / stride > 40_000) return { ticks: days(from, to, step, clock), step }
  for (let at = first; at <= to; at += stride) if (local(at) % step === 0) ticks.push(at)
  return { ticks, step }
}

/** Midnights of the clock, where walking there by half hours would take too long.
 * @param {number} from @param {number} to @param {number} step @param {Clock} clock */
function days(from, to, step, clock) {
  const ticks = []
  for (let day = Math.ceil((from + clock.east(from) * MINUTE) / step) * step; ; day += step) {
    const at = day - clock.east(day) * MINUTE
    if (at > to) return ticks
    ticks.push(at)
  }
}

/** What stands at a tick. @param {number} at @param {number} step @param {Clock} clock */
export function tickText(at, step, clock) {
  if (step < MINUTE) return clock.time(at)
  const minute = clock.minute(at)
  return step >= DAY || minute === '00:00' ? clock.day(at) : minute
}

/** Round numbers between two, and how many decimals they need. @param {number} lo @param {number} hi @param {number} room */
export function valueTicks(lo, hi, room) {
  const raw = (hi - lo) / Math.max(1, room)
  const power = 10 ** Math.floor(Math.log10(raw))
  const step = ([1, 2, 5].find((factor) => factor * power >= raw * 0.999) ?? 10) * power
  const ticks = []
  for (let index = Math.ceil(lo / step - 1e-9); index * step <= hi + step * 1e-9; index++) ticks.push(index * step + 0)
  return { ticks, places: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) }
}

/**
 * A value axis that keeps still: it grows at once, and shrinks only when the values fill less than half of it.
 *
 * @param {[number, number] | null} kept @param {[number, number]} values @param {number} least span
 * @returns {[number, number]}
 */
export function calmRange(kept, [lo, hi], least) {
  const half = Math.max((hi - lo) / 2, least / 2) * 1.1
  const middle = (lo + hi) / 2
  if (kept && lo >= kept[0] && hi <= kept[1] && 2 * half > 0.45 * (kept[1] - kept[0])) return kept
  return [middle - half, middle + half]
}
