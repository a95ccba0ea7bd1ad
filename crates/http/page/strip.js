// One strip of a chart on a canvas: mean line over the band between lowest and highest, gaps hatched
// and named, marks of events and runs, one time axis.

import { number } from './format.js'
import { calmRange, tickText, timeTicks, valueTicks } from './scale.js'

export const GUTTER = 58
const [AXIS, TOP, END] = [22, 6, 8]
/** Two lines differ even without colour. */
export const DASHES = [[], [7, 3], [2, 2.5], [9, 3, 2, 3], [12, 4], [5, 2, 1, 2, 1, 2]]

/**
 * @typedef {object} Series
 * @property {string} name
 * @property {number} slot its colour and dash
 * @property {import('./track.js').Column} column
 * @property {number} period of its samples, ms
 *
 * @typedef {{from: number, to: number, words: string}} Stretch
 *
 * @typedef {object} Picture
 * @property {import('./span.js').Span} span
 * @property {import('./track.js').Track} track
 * @property {Series[]} series of one quantity
 * @property {import('./units.js').Writer} writer
 * @property {number} least span of values
 * @property {Stretch[]} gaps with their causes
 * @property {Stretch[]} runs
 * @property {{at: number, words: string}[]} events
 * @property {boolean} hasAxis
 * @property {import('./scale.js').Clock} clock
 * @property {number[]} doubtful marks whose stretches are underlined
 */

export class Strip {
  /** @type {[number, number] | null} */ #range = null
  /** @type {Picture | null} */ #picture = null
  #width = 0
  #height = 0

  /** @param {HTMLElement} host */
  constructor(host) {
    this.host = host
    this.canvas = host.appendChild(document.createElement('canvas'))
    this.cursor = host.appendChild(document.createElement('div'))
    this.cursor.className = 'cursor'
    this.cursor.hidden = true
    this.context = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext('2d', { alpha: false }))
    this.colours = palette()
    this.isSeen = true
    this.watch = new ResizeObserver(() => this.#fit())
    this.watch.observe(host)
    this.seen = new IntersectionObserver(([entry]) => {
      const wasSeen = this.isSeen
      this.isSeen = entry.isIntersecting
      if (this.isSeen && !wasSeen) this.#paint()
    }, { rootMargin: '200px' })
    this.seen.observe(host)
  }

  /** @param {Picture} picture */
  draw(picture) {
    this.#picture = picture
    if (this.isSeen) this.#paint()
  }

  /** After a change of appearance. */
  restyle() {
    this.colours = palette()
    this.#paint()
  }

  /** @param {number | null} at */
  point(at) {
    const span = this.#picture?.span
    const x = at === null || !span ? -1 : this.#x(at, span)
    this.cursor.hidden = x < GUTTER || x > this.#width - END + 1
    if (!this.cursor.hidden) this.cursor.style.transform = `translateX(${x.toFixed(1)}px)`
  }

  end() {
    this.watch.disconnect()
    this.seen.disconnect()
    this.host.remove()
  }

  #fit() {
    const { width, height } = this.host.getBoundingClientRect()
    if (Math.round(width) === this.#width && Math.round(height) === this.#height) return
    ;[this.#width, this.#height] = [Math.round(width), Math.round(height)]
    const ratio = devicePixelRatio || 1
    this.canvas.width = this.#width * ratio
    this.canvas.height = this.#height * ratio
    this.#paint()
  }

  /** @param {number} at @param {import('./span.js').Span} span */
  #x(at, { from, to }) {
    return GUTTER + ((at - from) / (to - from)) * (this.#width - GUTTER - END)
  }

  #paint() {
    const picture = this.#picture
    if (!picture || !this.#width || !this.#height) return
    const { context, colours } = this
    const ratio = devicePixelRatio || 1
    context.setTransform(ratio, 0, 0, ratio, 0, 0)
    context.fillStyle = colours.paper
    context.fillRect(0, 0, this.#width, this.#height)
    context.font = `12px ${colours.font}`
    context.lineWidth = 1
    const bottom = this.#height - (picture.hasAxis ? AXIS : 4)
    const range = this.#rangeOf(picture)
    const frame = {
      bottom, right: this.#width - END,
      x: (/** @type {number} */ at) => this.#x(at, picture.span),
      y: (/** @type {number} */ value) => bottom - ((value - range[0]) / (range[1] - range[0])) * (bottom - TOP),
    }
    this.#runs(picture, frame)
    this.#values(picture, range, frame)
    this.#times(picture, frame)
    context.save()
    context.beginPath()
    context.rect(GUTTER, 0, frame.right - GUTTER, bottom + 1)
    context.clip()
    this.#gaps(picture, frame)
    for (const series of picture.series) this.#line(picture, series, frame)
    this.#events(picture, frame)
    context.restore()
    context.strokeStyle = colours.rule
    context.strokeRect(GUTTER + 0.5, TOP + 0.5, frame.right - GUTTER - 1, bottom - TOP - 1)
  }

  /** @param {Picture} picture @returns {[number, number]} */
  #rangeOf({ track, series, span, writer, least }) {
    const found = track.extent(series.map(({ name }) => name), span)
    if (!found) return this.#range ?? [0, 1]
    const [a, b] = [writer.to(found[0]), writer.to(found[1])]
    this.#range = calmRange(this.#range, [Math.min(a, b), Math.max(a, b)], least)
    return this.#range
  }

  /** @param {Picture} picture @param {[number, number]} range @param {Frame} frame */
  #values(picture, [lo, hi], { bottom, right, y }) {
    const { context, colours } = this
    const { ticks, places } = valueTicks(lo, hi, Math.max(2, Math.floor((bottom - TOP) / 26)))
    context.textAlign = 'right'
    context.textBaseline = 'middle'
    for (const tick of ticks) {
      const level = Math.round(y(tick)) + 0.5
      rule(context, colours.grid, GUTTER, level, right, level)
      context.fillStyle = colours.soft
      context.fillText(number(tick, places), GUTTER - 8, level)
    }
  }

  /** @param {Picture} picture @param {Frame} frame */
  #times({ span, clock, hasAxis }, { bottom, right, x }) {
    const { context, colours } = this
    const { ticks, step } = timeTicks(span, Math.max(2, Math.floor((right - GUTTER) / (span.to - span.from < 900_000 ? 92 : 72))), clock)
    context.textAlign = 'center'
    context.textBaseline = 'top'
    for (const tick of ticks) {
      const place = Math.round(x(tick)) + 0.5
      rule(context, colours.grid, place, TOP, place, bottom)
      if (!hasAxis || place < GUTTER + 14 || place > right - 14) continue
      context.fillStyle = colours.soft
      context.fillText(tickText(tick, step, clock), place, bottom + 6)
    }
  }

  /** @param {Picture} picture @param {Frame} frame */
  #runs({ runs }, { x, right }) {
    const { context, colours } = this
    for (const { from, to } of runs) {
      const [begin, end] = [Math.max(GUTTER, x(from)), Math.min(right, x(to))]
      if (end <= begin) continue
      context.fillStyle = colours.accent
      context.fillRect(begin, 0, end - begin, 3)
    }
  }

  /** @param {Picture} picture @param {Frame} frame */
  #events({ events }, { x, bottom }) {
    const { context, colours } = this
    context.fillStyle = colours.mind
    for (const { at } of events) {
      const place = x(at)
      context.beginPath()
      context.moveTo(place, bottom - 7)
      context.lineTo(place - 4, bottom)
      context.lineTo(place + 4, bottom)
      context.fill()
    }
  }

  /** @param {Picture} picture @param {Frame} frame */
  #gaps({ gaps }, { x, bottom, right }) {
    const { context, colours } = this
    for (const { from, to, words } of gaps) {
      const [begin, end] = [Math.max(GUTTER, x(from)), Math.min(right, x(to))]
      if (end - begin < 1) continue
      hatch(context, colours.hatch, begin, end, bottom)
      const width = context.measureText(words).width + 10
      if (end - begin < width) continue
      context.fillStyle = colours.paper
      context.fillRect((begin + end - width) / 2, (TOP + bottom) / 2 - 9, width, 18)
      context.fillStyle = colours.soft
      context.textAlign = 'center'
      context.textBaseline = 'middle'
      context.fillText(words, (begin + end) / 2, (TOP + bottom) / 2)
    }
  }

  /** @param {Picture} picture @param {Series} series @param {Frame} frame */
  #line(picture, series, { x, y, bottom }) {
    const { context, colours } = this
    const colour = colours.series[series.slot % colours.series.length]
    for (const part of parts(picture, series, this.#width - GUTTER)) {
      const to = (/** @type {number} */ value) => y(picture.writer.to(value))
      context.fillStyle = colour
      context.globalAlpha = 0.22
      context.beginPath()
      for (const cell of part) context.lineTo(x(cell.at), to(cell.hi))
      for (const cell of [...part].reverse()) context.lineTo(x(cell.at), to(cell.lo))
      context.fill()
      context.globalAlpha = 1
      context.strokeStyle = colour
      context.lineWidth = 1.6
      context.lineJoin = 'round'
      context.setLineDash(DASHES[series.slot % DASHES.length])
      context.beginPath()
      if (part.length === 1) context.moveTo(x(part[0].at) - 1.5, to(part[0].mean))
      for (const cell of part) context.lineTo(x(cell.at) + (part.length === 1 ? 1.5 : 0), to(cell.mean))
      context.stroke()
      context.setLineDash([])
      context.lineWidth = 1
      doubt(context, colours.mind, part, picture, { x, bottom })
    }
  }
}

/** @typedef {{bottom: number, right: number, x: (at: number) => number, y: (value: number) => number}} Frame */
/** @typedef {{at: number, mean: number, lo: number, hi: number, q: number}} Cell */

/**
 * Stretches of a line without a gap; buckets that share a pixel are drawn as one, with the ends of all.
 *
 * @param {Picture} picture @param {Series} series @param {number} width px
 */
export function parts({ span, track }, { column, period }, width) {
  const [first, end] = [Math.max(0, track.bucket(span.from) - 1), Math.min(track.n, track.bucket(span.to) + 2)]
  const perPixel = (span.to - span.from) / width / track.dt
  const group = Math.max(1, Math.floor(0.75 * perPixel))
  // Where ticks are longer than buckets, empty ones in between are no gap.
  const patience = Math.ceil((1.6 * period) / track.dt)
  /** @type {Cell[][]} */ const all = []
  let empty = Infinity
  for (let begin = first - (first % group); begin < end; begin += group) {
    const cell = merged(column, begin, Math.min(begin + group, end), track)
    if (!cell) {
      empty += group
      continue
    }
    if (empty >= Math.max(patience, 1)) all.push([])
    empty = 0
    all[all.length - 1].push(cell)
  }
  return all
}

/** @param {import('./track.js').Column} column @param {number} begin @param {number} end @param {import('./track.js').Track} track @returns {Cell | null} */
function merged({ mean, lo, hi, q }, begin, end, { t0, dt }) {
  let [sum, count, low, high, mark] = [0, 0, Infinity, -Infinity, 0]
  for (let bucket = Math.max(0, begin); bucket < end; bucket++) {
    if (Number.isNaN(mean[bucket])) continue
    sum += mean[bucket]
    count++
    low = Math.min(low, lo[bucket])
    high = Math.max(high, hi[bucket])
    mark = Math.max(mark, q[bucket])
  }
  return count ? { at: t0 + ((begin + end) / 2) * dt, mean: sum / count, lo: low, hi: high, q: mark } : null
}

/** A dotted rule under what is not to be taken for good. @param {CanvasRenderingContext2D} context @param {string} colour
 * @param {Cell[]} part @param {Picture} picture @param {{x: (at: number) => number, bottom: number}} frame */
function doubt(context, colour, part, { doubtful, track }, { x, bottom }) {
  context.fillStyle = colour
  for (const { at, q } of part) {
    if (doubtful.includes(q)) context.fillRect(x(at - track.dt / 2), bottom - 3, Math.max(1.5, x(at + track.dt / 2) - x(at - track.dt / 2)), 3)
  }
}

/** @param {CanvasRenderingContext2D} context @param {string} colour @param {number} x @param {number} y @param {number} toX @param {number} toY */
function rule(context, colour, x, y, toX, toY) {
  context.strokeStyle = colour
  context.beginPath()
  context.moveTo(x, y)
  context.lineTo(toX, toY)
  context.stroke()
}

/** @param {CanvasRenderingContext2D} context @param {string} colour @param {number} begin @param {number} end @param {number} bottom */
function hatch(context, colour, begin, end, bottom) {
  context.save()
  context.beginPath()
  context.rect(begin, TOP, end - begin, bottom - TOP)
  context.clip()
  context.strokeStyle = colour
  context.beginPath()
  for (let x = Math.floor((begin - bottom) / 6) * 6; x < end; x += 6) {
    context.moveTo(x, bottom)
    context.lineTo(x + bottom - TOP, TOP)
  }
  context.stroke()
  context.restore()
}

function palette() {
  const style = getComputedStyle(document.documentElement)
  const colour = (/** @type {string} */ name) => style.getPropertyValue(`--${name}`).trim()
  return {
    paper: colour('paper'), soft: colour('soft'), rule: colour('edge'), grid: colour('rule'), hatch: colour('hatch'),
    accent: colour('accent'), mind: colour('mind-edge'), font: style.fontFamily,
    series: [0, 1, 2, 3, 4, 5].map((slot) => colour(`line-${slot}`)),
  }
}
