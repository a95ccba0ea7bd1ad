// The stretch of time in view: zooming, panning, following. Pure.

/** @typedef {{from: number, to: number}} Span ms since 1970 UTC */

/** Nothing is recorded faster than this can show, and no record is longer than that. */
export const [SPAN_LEAST_MS, SPAN_MOST_MS] = [2_000, 2 * 366 * 86_400_000]

/** A span of this length that ends at a time. @param {number} to @param {number} length @returns {Span} */
export const ending = (to, length) => ({ from: to - length, to })

/**
 * Zoomed by a factor (below one is closer) about a time that stays where it is.
 *
 * @param {Span} span @param {number} factor @param {number} about
 * @returns {Span}
 */
export function zoomed({ from, to }, factor, about) {
  const length = Math.min(SPAN_MOST_MS, Math.max(SPAN_LEAST_MS, (to - from) * factor))
  const share = (about - from) / (to - from)
  return { from: about - share * length, to: about + (1 - share) * length }
}

/** Moved by a share of its length; never beyond now by more than a tenth. @param {Span} span @param {number} share @param {number} now @returns {Span} */
export function panned({ from, to }, share, now) {
  const length = to - from
  const by = Math.min(share * length, now + length / 10 - to)
  return { from: from + by, to: to + by }
}

/** What two fingers make of a span: the times under them stay under them.
 * @param {Span} span @param {[number, number]} before shares of the width @param {[number, number]} after @returns {Span} */
export function pinched({ from, to }, before, after) {
  const length = to - from
  const [first, second] = before.map((share) => from + share * length)
  const apart = after[1] - after[0]
  if (Math.abs(apart) < 0.01 || first === second) return { from, to }
  const made = Math.min(SPAN_MOST_MS, Math.max(SPAN_LEAST_MS, (second - first) / apart))
  const begin = first - after[0] * made
  return { from: begin, to: begin + made }
}

/** What is asked for: the span and a little more on both sides, so that a small step needs no asking. @param {Span} span @returns {Span} */
export function withMargin({ from, to }) {
  const margin = (to - from) * 0.15
  return { from: Math.floor(from - margin), to: Math.ceil(to + margin) }
}

/** True where what was loaded still does for a span: it is covered, and not much coarser than it could be.
 * @param {Span} loaded @param {Span} span */
export function covers(loaded, span) {
  const isInside = loaded.from <= span.from && loaded.to >= span.to
  return isInside && span.to - span.from > (loaded.to - loaded.from) / 2.2
}
