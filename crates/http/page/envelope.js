// An envelope as a picture: where a probe can be believed, and where it stands at present.

import { drawing } from './dom.js'
import { number } from './format.js'
import { valueTicks } from './scale.js'

const [WIDTH, HEIGHT, LEFT, BOTTOM, TOP, RIGHT] = [460, 252, 40, 36, 20, 12]
/** More names than this would lie on each other; those outside are named always. */
const NAMED_MAX = 3

/**
 * @typedef {{from: number, to: number, velocity_min: number, velocity_max: number}} Band °C and m/s
 * @typedef {{name: string, temperature: {from: number, to: number}, bands: Band[]}} Envelope
 * @typedef {{name: string, temperature: number, velocity: number}} Point
 * @typedef {{velocity: import('./units.js').Writer, temperature: import('./units.js').Writer}} Writers
 */

/** True where a point lies inside; half-open bands, the last one closed. @param {Envelope} envelope @param {{temperature: number, velocity: number}} point */
export function isInside({ bands }, { temperature, velocity }) {
  const band = bands.find(({ from, to }, index) => temperature >= from && (temperature < to || (index === bands.length - 1 && temperature === to)))
  return band !== undefined && velocity >= band.velocity_min && velocity <= band.velocity_max
}

/** @param {Envelope} envelope @param {Point[]} points @param {Writers} writers */
export function picture(envelope, points, writers) {
  const [t, v] = [writers.temperature.to, writers.velocity.to]
  const coldest = Math.min(envelope.temperature.from, ...envelope.bands.map(({ from }) => from))
  const hottest = Math.max(envelope.temperature.to, ...envelope.bands.map(({ to }) => to))
  const fastest = Math.max(...envelope.bands.map(({ velocity_max: most }) => most), ...points.map(({ velocity }) => velocity))
  const x = scale([t(coldest), t(hottest)], [LEFT, WIDTH - RIGHT])
  // The slow end is where probes differ: a square root gives it room and keeps zero at zero.
  const root = (/** @type {number} */ velocity) => Math.sqrt(Math.max(0, velocity))
  const y = scale([0, root(v(fastest) * 1.05)], [HEIGHT - BOTTOM, TOP])
  const made = drawing('svg', { class: 'envelope', viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: 'img', 'aria-label': said(envelope, points, writers) })
  made.append(...axes({ x, y, root, temperatures: [t(coldest), t(hottest)], most: v(fastest) * 1.05, writers }))
  for (const { from, to, velocity_min: least, velocity_max: most } of envelope.bands) {
    const [left, right, low, high] = [x(t(from)), x(t(to)), y(root(v(least))), y(root(v(most)))]
    made.append(drawing('rect', { class: 'believed', x: left, y: high, width: right - left, height: low - high }))
  }
  const isNamed = (/** @type {boolean} */ isIn) => !isIn || points.length <= NAMED_MAX
  for (const point of points) {
    const isIn = isInside(envelope, point)
    const [shape, name] = mark(point, isIn, x(t(point.temperature)), y(root(v(point.velocity))))
    made.append(shape, ...(isNamed(isIn) ? [name] : []))
  }
  return made
}

/** @param {[number, number]} from @param {[number, number]} to */
const scale = ([a, b], [c, d]) => (/** @type {number} */ value) => c + ((value - a) / (b - a || 1)) * (d - c)

/** @param {{x: (v: number) => number, y: (v: number) => number, root: (v: number) => number, temperatures: [number, number], most: number, writers: Writers}} frame */
function axes({ x, y, root, temperatures, most, writers }) {
  const parts = []
  const { ticks, places } = valueTicks(...temperatures, 6)
  for (const tick of ticks) {
    parts.push(drawing('line', { class: 'rule', x1: x(tick), x2: x(tick), y1: TOP, y2: HEIGHT - BOTTOM }), drawing('text', { x: x(tick), y: HEIGHT - BOTTOM + 15, 'text-anchor': 'middle' }, number(tick, places)))
  }
  for (const share of [0, 0.02, 0.1, 0.3, 0.6, 1]) {
    const value = rounded(most * share)
    parts.push(drawing('line', { class: 'rule', x1: LEFT, x2: WIDTH - RIGHT, y1: y(root(value)), y2: y(root(value)) }), drawing('text', { x: LEFT - 7, y: y(root(value)) + 4, 'text-anchor': 'end' }, number(value, value && value < 1 ? 1 : 0)))
  }
  parts.push(drawing('text', { x: WIDTH - RIGHT, y: HEIGHT - 4, 'text-anchor': 'end' }, `temperature, ${writers.temperature.unit}`), drawing('text', { x: LEFT, y: 11 }, `velocity, ${writers.velocity.unit}`))
  return parts
}

/** To one figure. @param {number} value */
function rounded(value) {
  if (!value) return 0
  const power = 10 ** Math.floor(Math.log10(value))
  return Math.floor(value / power) * power
}

/** @param {Point} point @param {boolean} isIn @param {number} x @param {number} y */
function mark({ name }, isIn, x, y) {
  const shape = isIn ? drawing('circle', { class: 'here', cx: x, cy: y, r: 5 }) : drawing('path', { class: 'outside', d: `M${x - 5} ${y - 5}l10 10m-10 0l10 -10` })
  const isRight = x > WIDTH * 0.7
  return [shape, drawing('text', { class: 'name', x: isRight ? x - 9 : x + 9, y: y + 4, 'text-anchor': isRight ? 'end' : 'start' }, name)]
}

/** @param {Envelope} envelope @param {Point[]} points @param {Writers} writers */
function said(envelope, points, { velocity, temperature }) {
  const where = points.map((point) => `${point.name} at ${temperature.text(point.temperature)} ${temperature.unit}, ${velocity.text(point.velocity)} ${velocity.unit}, ${isInside(envelope, point) ? 'inside' : 'outside'}`)
  return `Envelope ${envelope.name}. ${where.join('; ') || 'No present operating point.'}`
}
