// Every point in its place: what it reads, in which unit, and what that is worth, by word and by shape.
//
// Where the configuration has layouts, points stand in them, each in its place; the sides are stretched as the
// words need it. The others, and all of them without a layout, stand in the order of the configuration.

import { hasNumber, shownMark } from './channels.js'
import { button, element, put, reshape, shape } from './dom.js'
import { number } from './format.js'
import { writer } from './units.js'
import { GRAVEST, QUALITY, sentence } from './words.js'

/** Rows of a tag: one quantity each. */
const ROWS_MAX = 3
/** These are shown first. */
const FIRST = ['velocity', 'temperature', 'pressure']
/** A plan is laid with its long side across where there is so much room, and upright below it, px. */
const UPRIGHT = 560
/** Room that a tag needs, px. */
const TAG_HEIGHT = 82

/**
 * @typedef {{name: string, x: number, y: number, channels: string[]}} Place
 * @typedef {{name: string, kind: string, side: string, width: number, height: number, round: boolean, core: number | null, points: Place[]}} Layout
 * @typedef {{point: string, tag: HTMLButtonElement, sign: SVGElement, word: HTMLElement, rows: {index: number, now: HTMLElement, unit: HTMLElement}[]}} Tag
 * @typedef {{layout: Layout, plan: HTMLElement, placed: {tag: HTMLElement, place: Place}[]}} Plan
 */

export class Points {
  /** @type {Tag[]} */ #tags = []
  /** @type {Plan[]} */ #plans = []
  /** @type {import('./types').Channel[]} */ #channels = []

  /**
   * @param {HTMLElement} plans where the layouts are drawn
   * @param {HTMLElement} rest where points without a place stand
   * @param {(channels: string[]) => void} choose told which channels a reader wants to see more of
   */
  constructor(plans, rest, choose) {
    this.plans = plans
    this.rest = rest
    this.choose = choose
    new ResizeObserver(() => this.#arrange()).observe(plans)
    for (const place of [plans, rest]) place.addEventListener('keydown', (event) => this.#move(event))
  }

  /** @param {import('./types').Channel[]} channels @param {Layout[]} layouts @param {string} units */
  build(channels, layouts, units) {
    this.#channels = channels
    this.#tags = points(channels).map(([point, indices]) => this.#tag(point, indices))
    this.#tags[0]?.tag.setAttribute('tabindex', '0')
    const left = new Map(this.#tags.map(({ point, tag }) => [point, tag]))
    this.#plans = layouts.map((layout) => plan(layout, left, channels)).filter(({ placed }) => placed.length)
    this.plans.hidden = !this.#plans.length
    this.plans.replaceChildren(...this.#plans.map(({ layout, plan }) => element('figure', layout.kind, plan, element('figcaption', 'soft', caption(layout)))))
    this.rest.replaceChildren(...left.values())
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
    for (const { tag, sign, word, rows } of this.#tags) {
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

  /** @param {string} point @param {number[]} indices @returns {Tag} */
  #tag(point, indices) {
    const [sign, word] = [shape('none'), element('span', 'word')]
    const head = element('span', 'head', sign, element('b', '', point), ' ', word)
    const rows = shownOf(this.#channels, indices).map((index) => {
      const [now, unit] = [element('span', 'now'), element('span', 'unit')]
      return { index, now, unit, row: element('span', 'row', now, ' ', unit) }
    })
    const tag = button('', () => this.choose(indices.slice(0, 6).map((index) => this.#channels[index].id)), 'tag')
    tag.append(head, ...rows.map(({ row }) => row))
    tag.setAttribute('tabindex', '-1')
    return { point, tag, sign, word, rows }
  }

  /** Puts the tags where their places are, to the scale that fits. */
  #arrange() {
    for (const { layout, plan, placed } of this.#plans) {
      const width = plan.clientWidth
      if (!width) continue
      const isTurned = layout.side === 'above' && (width >= UPRIGHT ? layout.height > layout.width : layout.width > 1.6 * layout.height)
      const [across, along] = isTurned ? [layout.height, layout.width] : [layout.width, layout.height]
      const shares = placed.map(({ place }) => (isTurned ? [1 - place.y / across, place.x / along] : [place.x / across, place.y / along]))
      const least = rowsOf(shares) * TAG_HEIGHT + 40
      // A round duct stays round; elsewhere a side may be stretched as the words need it.
      plan.style.height = `${Math.round(layout.round ? width : Math.min(least * 1.3, Math.max(least, (width * along) / across)))}px`
      plan.dataset.turned = String(isTurned)
      placed.forEach(({ tag }, index) => {
        const [left, top] = shares[index]
        const edge = (tag.offsetWidth / 2 + 6) / width
        tag.style.left = `${(Math.min(1 - edge, Math.max(edge, left)) * 100).toFixed(2)}%`
        tag.style.top = `${(top * 100).toFixed(2)}%`
      })
    }
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

/** @param {Layout} layout @param {Map<string, HTMLElement>} left tags without a place so far, by point @param {import('./types').Channel[]} channels @returns {Plan} */
function plan(layout, left, channels) {
  const placed = layout.points.flatMap((place) => {
    const point = channels.find(({ id }) => place.channels.includes(id))?.point
    const tag = point === undefined ? undefined : left.get(point)
    if (!tag || point === undefined) return []
    left.delete(point)
    return [{ tag, place }]
  })
  const door = layout.kind === 'zone' && layout.side === 'above' ? [element('span', 'door', 'door')] : []
  const made = element('div', `plan${layout.round ? ' round' : ''}`, ...door, ...placed.map(({ tag }) => tag))
  return { layout, plan: made, placed }
}

/** @param {Layout} layout */
function caption({ name, kind, side: seen, width, height, round }) {
  const side = (/** @type {number} */ length) => (length < 1 ? `${number(length * 1000, 0)} mm` : `${number(length, 1)} m`)
  const size = round ? `${side(width)} across` : `${side(width)} × ${side(height)}`
  return `${sentence(name)}, ${kind === 'duct' ? 'seen along the flow' : seen === 'above' ? 'seen from above' : 'seen from the front'}, ${size}`
}

/** How many tags stand below each other. @param {number[][]} shares */
const rowsOf = (shares) => new Set(shares.map(([, top]) => top.toFixed(2))).size

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
