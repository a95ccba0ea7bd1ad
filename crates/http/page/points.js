// Every point in its place: what it reads, in which unit, and what that is worth, by word and by shape.
//
// Where the configuration gives places, points stand in their plan, drawn to scale; the others, and all
// of them without a plan, stand in the order of the configuration.

import { hasNumber, shownMark } from './channels.js'
import { button, drawing, element, put, reshape, shape } from './dom.js'
import { writer } from './units.js'
import { GRAVEST, QUALITY, sentence } from './words.js'

/** Rows of a tag: one quantity each. */
const ROWS_MAX = 3
/** These are shown first. */
const FIRST = ['velocity', 'temperature', 'pressure']
/** Below this width a long plan is turned upright, px. */
const UPRIGHT = 560

/**
 * @typedef {{name: string, x_mm: number, y_mm: number}} Place
 * @typedef {{name: string, width_mm: number, depth_mm: number, places: Place[]}} Layout
 * @typedef {{point: string, place: Place | undefined, tag: HTMLButtonElement, sign: SVGElement, word: HTMLElement, rows: {index: number, now: HTMLElement, unit: HTMLElement}[]}} Tag
 */

export class Points {
  /** @type {Tag[]} */ #tags = []
  /** @type {Layout | null} */ #layout = null
  /** @type {import('./types').Channel[]} */ #channels = []

  /**
   * @param {HTMLElement} plan where the plan is drawn
   * @param {HTMLElement} rest where points without a place stand
   * @param {(channels: string[]) => void} choose told which channels a reader wants to see more of
   */
  constructor(plan, rest, choose) {
    this.plan = plan
    this.rest = rest
    this.choose = choose
    new ResizeObserver(() => this.#arrange()).observe(plan)
    for (const place of [plan, rest]) place.addEventListener('keydown', (event) => this.#move(event))
  }

  /** @param {import('./types').Channel[]} channels @param {Layout | null} layout @param {string} units */
  build(channels, layout, units) {
    this.#channels = channels
    this.#layout = layout
    const places = new Map(layout?.places.map((place) => [place.name, place]))
    this.#tags = points(channels).map(([point, indices]) => this.#tag(point, indices, places.get(point)))
    this.#tags[0]?.tag.setAttribute('tabindex', '0')
    const isPlaced = (/** @type {Tag} */ { place }) => place !== undefined
    this.rest.replaceChildren(...this.#tags.filter((tag) => !isPlaced(tag)).map(({ tag }) => tag))
    this.plan.replaceChildren(...this.#tags.filter(isPlaced).map(({ tag }) => tag))
    this.plan.hidden = !this.#tags.some(isPlaced)
    this.write(units)
    this.#arrange()
  }

  /** @param {string} units */
  write(units) {
    this.writers = this.#channels.map((channel) => writer(channel, units))
    for (const { rows } of this.#tags) for (const { index, unit } of rows) put(unit, this.writers[index].unit)
  }

  /** @param {import('./board.js').Board} board @param {boolean} isLive */
  draw(board, isLive) {
    for (const { point, tag, sign, word, rows } of this.#tags) {
      const marks = rows.map(({ index }) => shownMark(board.mark[index], isLive))
      const worst = GRAVEST.find((mark) => marks.includes(mark)) ?? (marks.every((mark) => mark === 'off') ? 'off' : 'ok')
      const said = QUALITY[worst]?.name ?? sentence(worst)
      rows.forEach(({ index, now }, row) => {
        put(now, hasNumber(marks[row]) ? this.writers?.[index].text(board.shown(index)) ?? '' : '–')
        now.dataset.mark = marks[row]
      })
      put(word, said)
      reshape(sign, worst)
      if (tag.dataset.mark !== worst) tag.dataset.mark = worst
    }
  }

  /** @param {string} point @param {number[]} indices @param {Place | undefined} place @returns {Tag} */
  #tag(point, indices, place) {
    const [sign, word] = [shape('none'), element('span', 'word')]
    const head = element('span', 'head', sign, element('b', '', point), ' ', word)
    const rows = shownOf(this.#channels, indices).map((index) => {
      const [now, unit] = [element('span', 'now'), element('span', 'unit')]
      return { index, now, unit, row: element('span', 'row', now, ' ', unit) }
    })
    const tag = button('', () => this.choose(indices.slice(0, 6).map((index) => this.#channels[index].id)), 'tag')
    tag.append(head, ...rows.map(({ row }) => row))
    tag.setAttribute('tabindex', '-1')
    return { point, place, tag, sign, word, rows }
  }

  /** Puts the tags where their places are, to the scale that fits. */
  #arrange() {
    const layout = this.#layout
    const width = this.plan.clientWidth
    if (!layout || this.plan.hidden || !width) return
    const isUpright = width < UPRIGHT && layout.width_mm > layout.depth_mm
    const [across, along] = isUpright ? [layout.depth_mm, layout.width_mm] : [layout.width_mm, layout.depth_mm]
    const placed = this.#tags.filter(({ place }) => place)
    const height = Math.max((width * along) / across, 150, needed(placed.length, width))
    this.plan.style.height = `${Math.round(height)}px`
    const at = (/** @type {Place} */ { x_mm: x, y_mm: y }) => (isUpright ? [1 - y / across, x / along] : [x / across, y / along])
    for (const { tag, place } of placed) {
      const [left, top] = at(/** @type {Place} */ (place))
      tag.style.left = `${(left * 100).toFixed(2)}%`
      tag.style.top = `${(top * 100).toFixed(2)}%`
    }
    this.plan.querySelector('.walls')?.remove()
    this.plan.prepend(walls())
  }

  /** Arrows go to the nearest point in their direction; one tab stop for all. @param {KeyboardEvent} event */
  #move(event) {
    const [dx, dy] = STEPS[event.key] ?? [0, 0]
    const here = /** @type {HTMLElement | null} */ (event.target)?.closest('.tag')
    if (!here || (!dx && !dy)) return
    event.preventDefault()
    const middle = (/** @type {Element} */ of) => { const box = of.getBoundingClientRect(); return [box.x + box.width / 2, box.y + box.height / 2] }
    const [x, y] = middle(here)
    let [best, least] = [/** @type {HTMLElement | null} */ (null), Infinity]
    for (const { tag } of this.#tags) {
      const [other, another] = middle(tag)
      const [along, across] = [(other - x) * dx + (another - y) * dy, Math.abs((other - x) * dy) + Math.abs((another - y) * dx)]
      if (along > 2 && along + 2 * across < least) [best, least] = [tag, along + 2 * across]
    }
    if (!best) return
    here.setAttribute('tabindex', '-1')
    best.setAttribute('tabindex', '0')
    best.focus()
  }
}

const STEPS = /** @type {Record<string, [number, number]>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] })

/** Room that so many tags need beside and below each other, px. @param {number} tags @param {number} width */
const needed = (tags, width) => (Math.ceil(tags / Math.max(1, Math.floor(width / 130))) * 92)

function walls() {
  return drawing('svg', { class: 'walls', viewBox: '0 0 100 100', preserveAspectRatio: 'none', 'aria-hidden': 'true' }, drawing('rect', { x: 0, y: 0, width: 100, height: 100 }))
}

/** Points with their channels, in the order of the configuration. @param {import('./types').Channel[]} channels @returns {[string, number[]][]} */
export function points(channels) {
  /** @type {Map<string, number[]>} */ const found = new Map()
  channels.forEach(({ point }, index) => found.set(point, [...(found.get(point) ?? []), index]))
  return [...found]
}

/** What a tag shows of a point: of each quantity the first channel, air's own first. @param {import('./types').Channel[]} channels @param {number[]} indices */
export function shownOf(channels, indices) {
  const kinds = new Map()
  for (const index of indices) if (!kinds.has(channels[index].kind)) kinds.set(channels[index].kind, index)
  const rank = (/** @type {string} */ kind) => (FIRST.includes(kind) ? FIRST.indexOf(kind) : FIRST.length)
  return [...kinds].sort(([a], [b]) => rank(a) - rank(b)).map(([, index]) => index).slice(0, ROWS_MAX)
}
