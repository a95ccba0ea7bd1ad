// What a chart draws: buckets of a uniform grid, from the recorder's history and then from frames. An
// empty bucket is a gap and is never bridged.

/** Room for frames behind what was loaded, buckets. */
const ROOM = 600

/** @typedef {{mean: Float32Array, lo: Float32Array, hi: Float32Array, q: Uint8Array, weight: number}} Column */

export class Track {
  /** @param {import('./types').History} history @param {number} noData the index of the mark of an empty bucket */
  constructor(history, noData) {
    this.t0 = history.t0
    this.dt = history.dt
    this.n = history.n
    this.noData = noData
    this.room = history.n + ROOM
    /** @type {Map<string, Column>} */ this.columns = new Map()
    history.ch.forEach((name, index) => this.columns.set(name, this.#column(history, index)))
  }

  get to() {
    return this.t0 + this.n * this.dt
  }

  /** The bucket that a time lies in. @param {number} at */
  bucket(at) {
    return Math.floor((at - this.t0) / this.dt)
  }

  /** Takes a frame in. After a silence longer than what is held, the caller loads anew. @param {import('./types').Frame} frame @param {Map<string, number>} places of the channels in a frame */
  push(frame, places) {
    const bucket = this.bucket(frame.t - 1)
    if (bucket < this.n - 1 || bucket < 0) return
    if (bucket >= this.room) {
      if (this.#shift(bucket)) this.push(frame, places)
      return
    }
    const isNew = bucket >= this.n
    this.n = Math.max(this.n, bucket + 1)
    for (const [name, column] of this.columns) {
      const place = places.get(name)
      if (isNew) column.weight = 0
      if (place !== undefined) add(column, bucket, frame, place, this.noData)
    }
  }

  /** Takes in frames that came while the history was on its way, from where each channel's history ends: its last samples may
   * not have been on the disk yet. @param {import('./types').Frame[]} frames @param {Map<string, number>} places */
  replay(frames, places) {
    for (const [name, column] of this.columns) {
      const place = places.get(name)
      if (place === undefined) continue
      let [end, current] = [this.n, -1]
      while (end > 0 && Number.isNaN(column.lo[end - 1])) end--
      for (const frame of frames) {
        const bucket = this.bucket(frame.t - 1)
        if (bucket < end || bucket >= this.room) continue
        if (bucket !== current) [column.weight, current] = [0, bucket]
        add(column, bucket, frame, place, this.noData)
        this.n = Math.max(this.n, bucket + 1)
      }
    }
  }

  /** Lowest and highest of some channels in a span, SI; `null` without a number.
   * @param {string[]} names @param {import('./span.js').Span} span @returns {[number, number] | null} */
  extent(names, { from, to }) {
    let [lo, hi] = [Infinity, -Infinity]
    const [first, end] = [Math.max(0, this.bucket(from)), Math.min(this.n, this.bucket(to) + 1)]
    for (const name of names) {
      const column = this.columns.get(name)
      for (let bucket = first; column && bucket < end; bucket++) {
        if (column.lo[bucket] < lo) lo = column.lo[bucket]
        if (column.hi[bucket] > hi) hi = column.hi[bucket]
      }
    }
    return lo <= hi ? [lo, hi] : null
  }

  /** @param {import('./types').History} history @param {number} index @returns {Column} */
  #column({ n, mean, lo, hi, q }, index) {
    const numbers = (/** @type {Float32Array} */ all) => {
      const column = new Float32Array(this.room).fill(NaN)
      column.set(all.subarray(index * n, (index + 1) * n))
      return column
    }
    const marks = new Uint8Array(this.room).fill(this.noData)
    marks.set(q.subarray(index * n, (index + 1) * n))
    return { mean: numbers(mean), lo: numbers(lo), hi: numbers(hi), q: marks, weight: 0 }
  }

  /** Drops the oldest buckets to make room; false after a silence that is too long for that. @param {number} bucket */
  #shift(bucket) {
    const drop = bucket - this.room + 1 + ROOM / 2
    if (drop >= this.n) return false
    for (const column of this.columns.values()) {
      for (const numbers of [column.mean, column.lo, column.hi]) numbers.copyWithin(0, drop).fill(NaN, this.room - drop)
      column.q.copyWithin(0, drop).fill(this.noData, this.room - drop)
    }
    this.t0 += drop * this.dt
    this.n -= drop
    return true
  }
}

/** @param {Column} column @param {number} bucket @param {import('./types').Frame} frame @param {number} place @param {number} noData */
function add(column, bucket, frame, place, noData) {
  const [mean, count, mark] = [frame.mean[place], frame.n[place], Number(frame.q[place])]
  if (mean === null || !count) return
  const [lo, hi] = [frame.lo[place] ?? mean, frame.hi[place] ?? mean]
  // A bucket that history had begun keeps its ends; its mean follows the frames.
  const isEmpty = Number.isNaN(column.lo[bucket])
  column.lo[bucket] = isEmpty ? lo : Math.min(column.lo[bucket], lo)
  column.hi[bucket] = isEmpty ? hi : Math.max(column.hi[bucket], hi)
  column.mean[bucket] = column.weight ? column.mean[bucket] + ((mean - column.mean[bucket]) * count) / (column.weight + count) : mean
  column.q[bucket] = column.q[bucket] === noData ? mark : Math.max(column.q[bucket], mark)
  column.weight += count
}
