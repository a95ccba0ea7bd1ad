// How a reader moves through time by mouse, touch, wheel and keys.
//
// Mouse: point to read, drag to zoom, with Shift to move; wheel with Ctrl zooms, sideways moves. Touch:
// tap to read, drag to move, two fingers to zoom. Keys: arrows read, with Shift they move; + and −
// zoom, Home and End go to the ends, Escape goes back to now. Every drag has a button that does as much.

import { element } from './dom.js'
import { panned, pinched, zoomed } from './span.js'
import { GUTTER } from './strip.js'

const END = 8
/** A shorter way is a tap. */
const TAP_PX = 5

/**
 * @typedef {object} Acts
 * @property {() => import('./span.js').Span} span
 * @property {(span: import('./span.js').Span) => void} change
 * @property {(factor: number) => void} zoom about the cursor, or the end that is followed
 * @property {(at: number | null) => void} point
 * @property {(steps: number) => void} step
 * @property {() => void} live
 */

export class Hands {
  /** @type {Map<number, number>} */ #down = new Map()
  /** @type {{x: number, span: import('./span.js').Span, shares: [number, number] | null, isPan: boolean, isMoved: boolean} | null} */ #grip = null

  /** @param {HTMLElement} place @param {Acts} acts */
  constructor(place, acts) {
    this.place = place
    this.acts = acts
    this.band = place.appendChild(element('div', 'zoom-band'))
    this.band.hidden = true
    place.addEventListener('pointerdown', (event) => this.#press(event))
    place.addEventListener('pointermove', (event) => this.#move(event))
    place.addEventListener('pointerup', (event) => this.#release(event, true))
    place.addEventListener('pointercancel', (event) => this.#release(event, false))
    place.addEventListener('pointerleave', (event) => { if (event.pointerType === 'mouse' && !this.#grip) acts.point(null) })
    place.addEventListener('wheel', (event) => this.#wheel(event), { passive: false })
    place.addEventListener('keydown', (event) => this.#key(event))
  }

  /** Where a place on the page lies between the ends of the strips, 0 to 1. @param {number} x */
  #share(x) {
    const box = this.place.getBoundingClientRect()
    return (x - box.left - GUTTER) / Math.max(1, box.width - GUTTER - END)
  }

  /** @param {number} share */
  #time(share) {
    const { from, to } = this.acts.span()
    return from + Math.min(1, Math.max(0, share)) * (to - from)
  }

  /** @param {PointerEvent} event */
  #press(event) {
    if (!(event.target instanceof Element) || !event.target.closest('.strip') || event.button > 1) return
    this.#down.set(event.pointerId, event.clientX)
    this.place.setPointerCapture(event.pointerId)
    const xs = [...this.#down.values()]
    const shares = xs.length === 2 ? /** @type {[number, number]} */ (xs.map((x) => this.#share(x))) : null
    const isPan = event.pointerType !== 'mouse' || event.shiftKey || event.button === 1
    this.#grip = { x: event.clientX, span: this.acts.span(), shares, isPan, isMoved: Boolean(shares) }
  }

  /** @param {PointerEvent} event */
  #move(event) {
    const grip = this.#grip
    if (!grip || !this.#down.has(event.pointerId)) {
      const share = this.#share(event.clientX)
      const isOver = event.target instanceof Element && event.target.closest('.strip')
      if (event.pointerType === 'mouse') this.acts.point(isOver && share >= 0 && share <= 1 ? this.#time(share) : null)
      return
    }
    this.#down.set(event.pointerId, event.clientX)
    if (grip.shares && this.#down.size === 2) {
      const now = /** @type {[number, number]} */ ([...this.#down.values()].map((x) => this.#share(x)))
      return this.acts.change(pinched(grip.span, grip.shares, now))
    }
    if (Math.abs(event.clientX - grip.x) > TAP_PX) grip.isMoved = true
    if (!grip.isMoved) return
    if (grip.isPan) this.acts.change(panned(grip.span, this.#share(grip.x) - this.#share(event.clientX), Date.now()))
    else this.#stretch(grip.x, event.clientX)
  }

  /** @param {PointerEvent} event @param {boolean} isDone */
  #release(event, isDone) {
    const grip = this.#grip
    this.#down.delete(event.pointerId)
    if (this.#down.size || !grip) return
    this.#grip = null
    this.band.hidden = true
    if (!isDone) return
    if (!grip.isMoved) return this.acts.point(this.#time(this.#share(event.clientX)))
    if (grip.isPan) return
    const [from, to] = [grip.x, event.clientX].sort((a, b) => a - b).map((x) => this.#time(this.#share(x)))
    if (to > from) this.acts.change({ from, to })
  }

  /** @param {number} from @param {number} to */
  #stretch(from, to) {
    const { left } = this.place.getBoundingClientRect()
    this.band.hidden = false
    this.band.style.left = `${Math.min(from, to) - left}px`
    this.band.style.width = `${Math.abs(to - from)}px`
  }

  /** @param {WheelEvent} event */
  #wheel(event) {
    const isSideways = Math.abs(event.deltaX) > Math.abs(event.deltaY) || event.shiftKey
    if (!event.ctrlKey && !event.metaKey && !isSideways) return
    event.preventDefault()
    const span = this.acts.span()
    if (isSideways && !event.ctrlKey) return this.acts.change(panned(span, (event.deltaX || event.deltaY) / 800, Date.now()))
    this.acts.change(zoomed(span, Math.exp(event.deltaY / 300), this.#time(this.#share(event.clientX))))
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    if (event.target !== this.place || event.ctrlKey || event.metaKey || event.altKey) return
    const act = this.#acts(event)
    if (!act) return
    event.preventDefault()
    act()
  }

  /** @param {KeyboardEvent} event @returns {(() => void) | undefined} */
  #acts({ key, shiftKey }) {
    const { span, change, zoom, step, point, live } = this.acts
    return {
      ArrowLeft: () => (shiftKey ? change(panned(span(), -0.25, Date.now())) : step(-1)),
      ArrowRight: () => (shiftKey ? change(panned(span(), 0.25, Date.now())) : step(1)),
      PageUp: () => change(panned(span(), -1, Date.now())),
      PageDown: () => change(panned(span(), 1, Date.now())),
      Home: () => step(-Infinity),
      End: () => step(Infinity),
      '+': () => zoom(0.5),
      '=': () => zoom(0.5),
      '-': () => zoom(2),
      Escape: () => { point(null); live() },
    }[key]
  }
}
