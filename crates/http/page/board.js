// What the page knows of each channel: the newest number, its time, its mark. The stream fills it at
// its own pace; whoever draws looks at it at a pace that can be read.

/** A number shown is the mean of this long, so that it can be read: */
const NOW_MS = 500
/** The most frames that are kept for it. */
const FRAMES = 8

export class Board {
  /** @type {import('./types').Frame[]} */ #frames = []

  /** @param {import('./types').Hello} hello */
  constructor(hello) {
    this.channels = hello.channels
    this.marks = hello.quality
    this.why = hello.why
    this.health = hello.health
    const count = hello.channels.length
    /** The mark of each channel, as a word. */
    this.mark = new Array(count).fill('none')
    /** The last number that came, SI. */
    this.value = new Float64Array(count).fill(NaN)
    /** When it came, ms on the recorder's clock. */
    this.at = new Float64Array(count).fill(NaN)
    hello.last.forEach((last, index) => {
      if (last) [this.at[index], this.value[index]] = last
    })
    /** The end of the newest frame. */
    this.newest = 0
    this.ahead = hello.now - Date.now()
  }

  /** Now, on the recorder's clock as far as this machine can tell. */
  now() {
    return Date.now() + this.ahead
  }

  /** Takes a frame in; false where it is not newer than the last. @param {import('./types').Frame} frame */
  push(frame) {
    if (frame.t <= this.newest) return false
    this.newest = frame.t
    this.#frames.push(frame)
    if (this.#frames.length > FRAMES) this.#frames.shift()
    frame.mean.forEach((mean, index) => {
      this.mark[index] = this.marks[Number(frame.q[index])] ?? 'none'
      if (mean === null) return
      this.value[index] = mean
      this.at[index] = frame.t
    })
    this.#follow(frame.t)
    return true
  }

  /** The mean of a channel's last half second, or its last number. @param {number} index */
  shown(index) {
    let [sum, weight] = [0, 0]
    for (const frame of this.#frames) {
      const mean = frame.mean[index]
      if (mean === null || frame.t <= this.newest - NOW_MS) continue
      sum += mean * frame.n[index]
      weight += frame.n[index]
    }
    return weight ? sum / weight : this.value[index]
  }

  /** A frame cannot come before it was sent: the one with the shortest way tells the clock best. @param {number} at */
  #follow(at) {
    const ahead = at - Date.now()
    const isStep = this.ahead - ahead > 5000
    if (ahead > this.ahead || isStep) this.ahead = ahead
    else this.ahead += (ahead - this.ahead) * 0.002
  }
}
