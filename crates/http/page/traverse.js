// A moved-probe traverse, guided point by point. Made for a phone beside the duct, with the probe in the other
// hand: one thing to do at a time, the mark on the probe where it can be read at arm's length, one large button.

import { Refused, askJson, reason, send } from './api.js'
import { button, drawing, element, put, table } from './dom.js'
import { length, number } from './format.js'
import { ask, signature } from './forms.js'
import { keep, look, recall } from './look.js'
import { writer } from './units.js'

/** Somebody stands beside the duct and waits. */
const RENEW_MS = 1000
/** Side of the drawing, and room for its rim, in its own units. */
const [SIZE, RIM] = [220, 12]

/**
 * @typedef {import('./types').Traverse} Told
 * @typedef {import('./types').TraversePoint} Point
 */

export class Traverse {
  #timer = 0
  #shown = ''
  #isOver = false

  /** @param {HTMLElement} place @param {{id: number, name: string, state: string}} run @param {import('./board.js').Board | null} board */
  constructor(place, run, board) {
    this.place = place
    this.run = run
    this.board = board
    this.path = /** @type {const} */ (`/api/v1/runs/${run.id}/traverse`)
    this.now = element('p', 'soft reading-now')
    this.bar = element('progress')
    this.bar.setAttribute('aria-label', 'How far the reading of this point is')
    this.wrong = element('p', 'wrong')
    this.wrong.setAttribute('role', 'alert')
    this.said = element('p', 'target')
    this.said.setAttribute('role', 'status')
    void this.renew()
    void awake()
  }

  end() {
    this.#isOver = true
    clearTimeout(this.#timer)
  }

  async renew() {
    clearTimeout(this.#timer)
    let isLaid = true
    try {
      this.#show(await askJson(this.path))
      put(this.wrong, '')
    } catch (error) {
      isLaid = !(error instanceof Refused && error.status === 404)
      if (isLaid) this.#fail(error)
      else this.#show(null)
    }
    if (isLaid && !this.#isOver) this.#timer = window.setTimeout(() => void this.renew(), RENEW_MS)
  }

  /** @param {Told | null} told */
  #show(told) {
    if (this.#isOver) return
    if (told) this.#count(told)
    const key = JSON.stringify([told, look('units')])
    if (key === this.#shown) return
    this.#shown = key
    const hadFocus = this.place.contains(document.activeElement)
    this.place.replaceChildren(...(told ? this.#guide(told) : this.#none()), this.wrong)
    if (hadFocus) /** @type {HTMLElement | null} */ (this.place.querySelector('button.big'))?.focus()
  }

  /** @param {unknown} error */
  #fail(error) {
    put(this.wrong, reason(error))
    if (!this.wrong.isConnected) this.place.replaceChildren(this.wrong)
  }

  #none() {
    if (this.run.state !== 'running') return [element('p', 'soft', 'No traverse was made in this run.')]
    return [
      element('p', '', 'One probe goes through a duct from point to point. At each the page says how deep it has to go; the recorder reads it once the velocity is steady, and the first point once more at the end.'),
      element('p', '', button('Begin a traverse', () => void this.#begin(), 'main big operates')),
    ]
  }

  // ---- the guide --------------------------------------------------------------------------------

  /** What moves by the second: the velocity at the probe, and how far a reading is. @param {Told} told */
  #count({ channel, to_do: todo, stage, stage_since: since, dwell_s: dwell }) {
    const index = this.board?.channels.findIndex(({ id }) => id === channel) ?? -1
    const value = this.board && index >= 0 ? this.board.shown(index) : NaN
    const { text, unit } = this.#writer(channel)
    put(this.now, `${channel} reads ${Number.isFinite(value) ? `${text(value)} ${unit}` : 'nothing'} at present.`)
    this.bar.hidden = todo !== 'wait'
    const passed = since && this.board ? (this.board.now() - Date.parse(since)) / 1000 : 0
    if (stage === 'dwelling') this.bar.value = Math.min(1, passed / dwell)
    else this.bar.removeAttribute('value')
  }

  /** @param {string} channel */
  #writer(channel) {
    const known = this.board?.channels.find(({ id }) => id === channel)
    return known ? writer(known, look('units')) : { unit: 'm/s', text: (/** @type {number} */ si) => number(si, 2) }
  }

  /** @param {Told} told @returns {Node[]} */
  #guide(told) {
    const { next, to_do: todo, points, ended } = told
    put(this.said, sentenceOf(told))
    const read = points.filter((point) => point.read).length
    const isAgain = todo === 'move' && Boolean(next?.read)
    const words = element('div', '', this.said,
      ...(todo === 'move' && next ? [
        element('p', 'mark', `${number(next.insertion_mm, 1)} mm`),
        element('p', 'soft', `deep on line ${next.line}: the mark on the probe. The nearest wall is ${number(next.wall_mm, 0)} mm away.${isAgain ? ' The first point is read again, to see whether the flow has changed meanwhile.' : ''}`),
      ] : []),
      this.bar, ...(ended ? [] : [this.now]),
      element('p', 'acts', ...(todo === 'move' && next ? [button(`The probe is at point ${next.point}`, () => void this.#confirm(next.point), 'main big operates')] : []),
        ...(todo === 'end' ? [button('End the traverse', () => void this.#end(true), 'main big operates')] : [])),
      element('p', 'soft', `${read} of ${points.length} points are read. ${this.#sums(told)}`))
    return [
      element('section', 'traverse', words, duct(points, next)),
      this.#table(told),
      ...(ended || todo === 'end' ? [] : [element('p', 'apart', button('Stop before the end', () => void this.#end(false), 'grave operates'))]),
      ...(ended && this.run.state === 'running' ? [element('p', 'apart', button('Begin another traverse', () => void this.#begin(), 'operates'))] : []),
    ]
  }

  /** @param {Told} told */
  #sums({ channel, mean, drift }) {
    const { text, unit } = this.#writer(channel)
    const sums = [typeof mean === 'number' && `Mean over the area: ${text(mean)} ${unit}.`, typeof drift === 'number' && `The first point changed by ${number(drift * 100, 1)} % until the end.`]
    return sums.filter(Boolean).join(' ')
  }

  /** @param {Told} told */
  #table({ channel, points, ended, to_do: todo }) {
    const { text, unit } = this.#writer(channel)
    const rows = points.map(({ point, line, insertion_mm: deep, read }) => [
      element('b', '', `Point ${point}`), String(line), `${number(deep, 1)} mm`,
      read ? `${text(read.mean)} ${unit}` : '', read ? (read.steady ? `${read.count} readings` : `${read.count} readings, not steady`) : '',
      read && !ended && todo !== 'wait' ? button('Read again', () => void this.#confirm(point), 'operates') : '',
    ])
    return table('Points of the traverse', [['', 'Point'], ['', 'Line'], ['', 'Mark on the probe'], ['', 'Velocity'], ['', 'From'], ['', '']], rows)
  }

  // ---- what is done -----------------------------------------------------------------------------

  async #begin() {
    const told = await Promise.all([askJson('/api/v1/layouts'), askJson('/api/v1/meters')]).catch((error) => this.#fail(error))
    if (!told) return
    const [{ layouts }, { meters }] = told
    const ducts = layouts.filter(({ kind }) => kind === 'duct').map(choice)
    if (!ducts.length) return put(this.wrong, 'The configuration has no layout of a duct: describe one as [layout.NAME], with its size and its rule.')
    const probes = meters.filter(({ outputs }) => outputs.some(({ quantity }) => quantity === 'velocity')).map(choice)
    const isDone = await ask({
      title: 'Begin a traverse', confirm: 'Begin',
      words: 'A point is read once the velocity has become steady. The phone may sleep meanwhile; the recorder goes on.',
      fields: [
        { name: 'layout', label: 'Duct', choices: ducts, needed: true },
        { name: 'probe', label: 'Meter of the probe that is moved', choices: probes, needed: true },
        { name: 'within', label: 'A movement that does not matter', value: '0.2 m/s', needed: true, hint: 'The velocity is steady where it moves by no more than this.' },
        { name: 'dwell', label: 'Each point is read for', value: '30 s', needed: true },
        { name: 'patience', label: 'Steadiness is waited for at most', value: '10 min', needed: true },
        signature('Your name'),
      ],
      act: (values) => send('POST', this.path, values),
    })
    if (isDone) void this.renew()
  }

  /** Without a dialog, since the other hand holds the probe; only who does it is asked for, once. @param {number} point */
  async #confirm(point) {
    if (!recall('name', '')) {
      const isSigned = await ask({ title: 'Who puts the probe there?', words: 'Every point is signed. The name is kept in this browser.', confirm: 'Go on', fields: [signature('Your name')], act: async ({ by }) => keep('name', by) })
      if (!isSigned) return
    }
    try {
      await send('POST', `${this.path}/confirm`, { point, by: recall('name', '') })
    } catch (error) {
      return this.#fail(error)
    }
    void this.renew()
  }

  /** @param {boolean} isWhole */
  async #end(isWhole) {
    const isDone = await ask({
      title: isWhole ? 'End the traverse?' : 'Stop before the end?', confirm: isWhole ? 'End it' : 'Stop it', isGrave: !isWhole,
      words: isWhole ? 'What flows through the duct is worked out from the points, with its uncertainty; it stands among the results of the run.' : 'Not every point is read, so no flow is worked out. What was read stays in the record.',
      fields: [signature('Your name')], act: (values) => send('POST', `${this.path}/end`, values),
    })
    if (isDone) void this.renew()
  }
}

/** @param {{name: string}} named @returns {[string, string]} */
const choice = ({ name }) => [name, name]

/** What is to be done, in a sentence. @param {Told} told */
function sentenceOf({ to_do: todo, next, stage, dwell_s: dwell }) {
  if (todo === 'move' && next) return `Move the probe to point ${next.point}.`
  if (todo === 'wait' && next) return stage === 'dwelling' ? `Point ${next.point} is being read, for ${length(dwell * 1000)}. Hold still.` : `Point ${next.point}: waiting until it is steady. Hold still.`
  return todo === 'end' ? 'Every point is read.' : 'The traverse is over.'
}

/** The points as they lie in the duct, seen along the flow. @param {Point[]} points @param {Point | null | undefined} next */
function duct(points, next) {
  const reach = Math.max(...points.map(({ x_mm: x, y_mm: y, wall_mm: wall }) => Math.max(Math.hypot(x, y), Math.abs(x), Math.abs(y)) + wall), 1)
  const [half, scale] = [SIZE / 2, (SIZE / 2 - RIM) / reach]
  const isRound = points.every(({ x_mm: x, y_mm: y, wall_mm: wall }) => Math.abs(Math.hypot(x, y) + wall - reach) < 0.02 * reach)
  const [wide, high] = /** @type {const} */ (['x_mm', 'y_mm']).map((key) => scale * Math.max(...points.map((point) => Math.abs(point[key])), 1))
  const rim = isRound ? drawing('circle', { class: 'rim', cx: half, cy: half, r: half - RIM }) : drawing('rect', { class: 'rim', x: half - wide - RIM, y: half - high - RIM, width: 2 * (wide + RIM), height: 2 * (high + RIM) })
  const marks = points.map(({ point, x_mm: x, y_mm: y, read }) => {
    const state = point === next?.point ? 'next' : read ? 'read' : 'open'
    const at = { x: half + scale * x, y: half - scale * y }
    return drawing('g', { class: state }, drawing('circle', { cx: at.x, cy: at.y, r: state === 'next' ? 11 : 8 }), drawing('text', { x: at.x, y: at.y + 4, 'text-anchor': 'middle' }, String(point)))
  })
  return drawing('svg', { class: 'cross-section', viewBox: `0 0 ${SIZE} ${SIZE}`, role: 'img', 'aria-label': `The duct, seen along the flow: ${points.length} points${next ? `, point ${next.point} is next` : ''}` }, rim, ...marks)
}

/** Keeps a phone from falling asleep where its browser lets a page ask for that. */
async function awake() {
  try {
    await navigator.wakeLock?.request('screen')
  } catch {
    // Then it sleeps; nothing is lost.
  }
}
