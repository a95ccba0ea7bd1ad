// How a meter's analog output and its text line agree: one against the other, with the line on which both say the same.

import { ask } from './api.js'
import { drawing } from './dom.js'
import { number } from './format.js'
import { valueTicks } from './scale.js'
import { unpack } from './trend.js'

/** What the comparison looks back over, ms. */
const SPAN_MS = 300_000
const [WIDTH, HEIGHT, LEFT, BOTTOM, TOP, RIGHT] = [300, 240, 50, 38, 10, 12]

/**
 * @typedef {import('./types').AgreementPair} Pair
 * @typedef {[number, number]} Dot text line, analog output
 */

/** Readings of both ways, one dot for each moment that has both. @param {Pair} pair @param {number} now @returns {Promise<Dot[]>} */
export async function dots({ analog, text }, now) {
  const query = new URLSearchParams({ from: String(Math.floor(now - SPAN_MS)), to: String(Math.floor(now)), max: '300', ch: `${text},${analog}` })
  const { n, ch, mean } = unpack(await (await ask(`/api/v1/history?${query}`)).arrayBuffer())
  const [x, y] = [text, analog].map((name) => mean.subarray(ch.indexOf(name) * n, (ch.indexOf(name) + 1) * n))
  return paired(x, y)
}

/** @param {ArrayLike<number>} x @param {ArrayLike<number>} y @returns {Dot[]} */
export function paired(x, y) {
  return Array.from(x, (value, index) => /** @type {Dot} */ ([value, y[index]])).filter(([a, b]) => Number.isFinite(a) && Number.isFinite(b))
}

/** The picture. @param {Pair} pair @param {Dot[]} dots SI @param {import('./units.js').Writer} writer */
export function picture(pair, dots, { to, unit, places }) {
  const shown = dots.map(([x, y]) => [to(x), to(y)])
  const [least, most] = range(shown.flat(), 4 * 10 ** -places)
  const scale = (/** @type {number} */ begin, /** @type {number} */ end) => (/** @type {number} */ value) => begin + ((value - least) / (most - least)) * (end - begin)
  const [x, y] = [scale(LEFT, WIDTH - RIGHT), scale(HEIGHT - BOTTOM, TOP)]
  const { ticks, places: digits } = valueTicks(least, most, 4)
  const rules = ticks.flatMap((tick) => [
    drawing('line', { class: 'rule', x1: x(tick), x2: x(tick), y1: TOP, y2: HEIGHT - BOTTOM }), drawing('line', { class: 'rule', x1: LEFT, x2: WIDTH - RIGHT, y1: y(tick), y2: y(tick) }),
    drawing('text', { x: x(tick), y: HEIGHT - BOTTOM + 15, 'text-anchor': 'middle' }, number(tick, digits)), drawing('text', { x: LEFT - 6, y: y(tick) + 4, 'text-anchor': 'end' }, number(tick, digits)),
  ])
  const same = drawing('line', { class: 'same', x1: x(least), y1: y(least), x2: x(most), y2: y(most) })
  const words = `${pair.meter}, ${pair.quantity}: analog output against text line, ${dots.length} moments of the last five minutes`
  return drawing('svg', { class: 'agreement', viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: 'img', 'aria-label': words },
    ...rules, same, ...shown.map(([a, b]) => drawing('circle', { class: 'dot', cx: x(a).toFixed(1), cy: y(b).toFixed(1), r: 2.2 })),
    drawing('text', { x: WIDTH - RIGHT, y: HEIGHT - 4, 'text-anchor': 'end' }, `text line, ${unit}`), drawing('text', { x: LEFT + 5, y: TOP + 11 }, `analog, ${unit}`))
}

/** @param {number[]} values @param {number} room the least span @returns {[number, number]} */
function range(values, room) {
  const [low, high] = [Math.min(...values), Math.max(...values)]
  const half = Math.max((high - low) * 0.55, room / 2)
  const middle = (low + high) / 2
  return [middle - half, middle + half]
}
