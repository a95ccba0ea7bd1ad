// The last ten minutes of every channel in five-second buckets: lowest, mean, highest. Filled from the
// recorder's history and then from frames; a bucket without data stays empty and is drawn as a gap.

export const SPAN_MS = 600_000
export const BUCKET_MS = 5000
export const BUCKETS = SPAN_MS / BUCKET_MS

export class Trend {
  /** @param {number} channels */
  constructor(channels) {
    const cells = channels * BUCKETS
    this.lo = new Float32Array(cells).fill(NaN)
    this.hi = new Float32Array(cells).fill(NaN)
    this.sum = new Float64Array(cells)
    this.weight = new Float64Array(cells)
    /** The bucket that time has reached, counted from 1970. */
    this.head = 0
    this.channels = channels
  }

  /** Moves on to a time, and empties what has left the last ten minutes. @param {number} at */
  reach(at) {
    const head = Math.floor((at - 1) / BUCKET_MS)
    if (head <= this.head) return
    const first = Math.max(this.head + 1, head - BUCKETS + 1)
    for (let bucket = first; bucket <= head; bucket++) {
      for (let channel = 0; channel < this.channels; channel++) this.#clear(this.cell(channel, bucket))
    }
    this.head = head
  }

  /** @param {import('./types').Frame} frame */
  push(frame) {
    this.reach(frame.t)
    const bucket = Math.floor((frame.t - 1) / BUCKET_MS)
    if (!this.#holds(bucket)) return
    frame.mean.forEach((mean, channel) => {
      if (mean !== null) this.#add(this.cell(channel, bucket), mean, frame.lo[channel] ?? mean, frame.hi[channel] ?? mean, frame.n[channel])
    })
  }

  /**
   * Takes in what the recorder has. What frames have already told of a bucket keeps its mean; its ends
   * become those of both.
   *
   * @param {import('./types').History} history @param {Map<string, number>} places of the channels
   */
  load(history, places) {
    const { n, t0, dt } = history
    this.reach(t0 + n * dt)
    history.ch.forEach((name, column) => {
      const channel = places.get(name)
      if (channel === undefined) return
      for (let row = 0; row < n; row++) {
        const [from, bucket] = [column * n + row, Math.floor((t0 + row * dt) / BUCKET_MS)]
        if (Number.isNaN(history.mean[from]) || !this.#holds(bucket)) continue
        const cell = this.cell(channel, bucket)
        this.#add(cell, history.mean[from], history.lo[from], history.hi[from], this.weight[cell] ? 0 : 1)
      }
    })
  }

  /** Lowest, mean and highest of a channel over the ten minutes. @param {number} channel */
  summary(channel) {
    let [lo, hi, sum, count] = [Infinity, -Infinity, 0, 0]
    for (let slot = channel * BUCKETS; slot < (channel + 1) * BUCKETS; slot++) {
      if (!this.weight[slot]) continue
      lo = Math.min(lo, this.lo[slot])
      hi = Math.max(hi, this.hi[slot])
      sum += this.sum[slot] / this.weight[slot]
      count++
    }
    return { lo, hi, mean: sum / count }
  }

  /** Where a bucket of a channel lies. @param {number} channel @param {number} bucket */
  cell(channel, bucket) {
    return channel * BUCKETS + (bucket % BUCKETS)
  }

  /** @param {number} bucket */
  #holds(bucket) {
    return bucket <= this.head && bucket > this.head - BUCKETS
  }

  /** @param {number} cell */
  #clear(cell) {
    this.lo[cell] = this.hi[cell] = NaN
    this.sum[cell] = this.weight[cell] = 0
  }

  /** @param {number} cell @param {number} mean @param {number} lo @param {number} hi @param {number} weight */
  #add(cell, mean, lo, hi, weight) {
    this.lo[cell] = Number.isNaN(this.lo[cell]) ? lo : Math.min(this.lo[cell], lo)
    this.hi[cell] = Number.isNaN(this.hi[cell]) ? hi : Math.max(this.hi[cell], hi)
    this.sum[cell] += mean * weight
    this.weight[cell] += weight
  }
}

/** Reads the columns of a history: length of the head, head, means, lows, highs, marks.
 * @param {ArrayBuffer} buffer @returns {import('./types').History} */
export function unpack(buffer) {
  const length = new DataView(buffer).getUint32(0, true)
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)))
  const cells = head.n * head.ch.length
  const column = (/** @type {number} */ index) => new Float32Array(buffer, 4 + length + index * 4 * cells, cells)
  return { ...head, mean: column(0), lo: column(1), hi: column(2), q: new Uint8Array(buffer, 4 + length + 12 * cells, cells) }
}

/**
 * The trend as paths in a box: the band between lowest and highest, the mean, and the gaps.
 *
 * @param {Trend} trend @param {number} channel
 * @param {{width: number, height: number, least: number, period: number}} box `least`: the least span of
 *   values, so that noise stays small; `period`: the channel's tick, ms
 */
export function paths(trend, channel, { width, height, least, period }) {
  const { lo, hi } = trend.summary(channel)
  if (!(hi >= lo)) return { band: '', mean: '', gaps: `M0 0H${width}V${height}H0Z` }
  const span = Math.max(hi - lo, least, 1e-9)
  const bottom = (hi + lo) / 2 - span / 2
  const x = (/** @type {number} */ place) => ((place * width) / BUCKETS).toFixed(1)
  const y = (/** @type {number} */ value) => (height - 1 - ((value - bottom) / span) * (height - 2)).toFixed(1)
  let [band, mean, gaps] = ['', '', '']
  for (const { from, to, cells } of stretches(trend, channel, period)) {
    if (!cells.length) {
      gaps += `M${x(from)} 0H${x(to)}V${height}H${x(from)}Z`
      continue
    }
    const level = (/** @type {(cell: number) => number} */ of) => cells.map((cell, index) => `${x(from + index)} ${y(of(cell))}H${x(from + index + 1)}`).join('L')
    const back = cells.map((cell, index) => `${x(from + index + 1)} ${y(trend.lo[cell])}H${x(from + index)}`).reverse().join('L')
    mean += `M${level((cell) => trend.sum[cell] / trend.weight[cell])}`
    band += `M${level((cell) => trend.hi[cell])}L${back}Z`
  }
  return { band, mean, gaps }
}

/**
 * Stretches of buckets, from the oldest, each with the cells of its data, or none where it is a gap. A
 * bucket without a sample is none yet while the channel's next tick is not due.
 *
 * @param {Trend} trend @param {number} channel @param {number} period
 */
function stretches(trend, channel, period) {
  const patience = Math.ceil((1.5 * period) / BUCKET_MS) - 1
  /** @type {{from: number, to: number, cells: number[]}[]} */ const all = []
  for (let place = 0; place < BUCKETS; place++) {
    const cell = held(trend, channel, place, patience)
    if (cell < 0 && place === BUCKETS - 1) break
    const last = all[all.length - 1]
    if (last && last.cells.length > 0 === cell >= 0) last.to = place + 1
    else all.push({ from: place, to: place + 1, cells: [] })
    if (cell >= 0) all[all.length - 1].cells.push(cell)
  }
  return all
}

/** The cell of a place, or of one before it that still counts; -1 for none.
 * @param {Trend} trend @param {number} channel @param {number} place @param {number} patience */
function held(trend, channel, place, patience) {
  for (let back = 0; back <= Math.min(patience, place); back++) {
    const cell = trend.cell(channel, trend.head - BUCKETS + 1 + place - back)
    if (trend.weight[cell]) return cell
  }
  return -1
}
