// Over time: chosen channels from seconds to months, live at the right end or standing still where a
// reader looks. One cursor for all strips; what is seen can be taken along as CSV.

import { ask, askJson, reason } from './api.js'
import { csv } from './csv.js'
import { $, button, drawing, element, put } from './dom.js'
import { Hands } from './hands.js'
import { length } from './format.js'
import { joined } from './lists.js'
import { look, reading, timed } from './look.js'
import { covers, ending, panned, withMargin, zoomed } from './span.js'
import { DASHES, Strip } from './strip.js'
import { Track } from './track.js'
import { unpack } from './trend.js'
import { writer } from './units.js'
import { CAUSE, QUALITY, sentence } from './words.js'

const DEFAULT_SPAN_MS = 3_600_000
const BUCKETS = 1500
/** Marks whose stretches are underlined. */
const DOUBTFUL = ['suspect', 'under', 'over', 'fault', 'stale']
const EVENTS_SHOWN = 12
/** Why new history is asked for while following: the buckets have become too coarse or too few. */
const RENEW_MS = 120_000
/** By so much a commit may lag behind. */
const NEW_MS = 5000
/** A commit and a little more. */
const COMMITTED_MS = 2500
/** Frames that are kept for the stretch between what is on the disk and now: half a minute. */
const RECENT_MOST = 150

export class OverTime {
  /** @type {string[]} */ #names = []
  #length = DEFAULT_SPAN_MS
  /** @type {import('./span.js').Span | null} */ #fixed = null
  /** @type {Track | null} */ #track = null
  /** @type {import('./span.js').Span & {names: string, at: number} | null} */ #loaded = null
  /** @type {{strip: Strip, head: HTMLElement, said: Map<string, HTMLElement>, names: string[]}[]} */ #strips = []
  /** @type {number | null} */ #cursor = null
  /** @type {AbortController | null} */ #loading = null
  /** @type {ReturnType<typeof setTimeout> | undefined} */ #soon
  /** @type {ReturnType<typeof setTimeout> | null} */ #later = null
  /** @type {Happened} */ #happened = { gaps: [], runs: [], events: [] }
  /** @type {import('./types').Frame[]} */ #recent = []
  #isShown = false

  /** @param {(part: string) => void} goTo told what the address is to be */
  constructor(goTo) {
    this.goTo = goTo
    this.hands = new Hands($('strips'), {
      span: () => this.span(),
      change: (span) => this.#look(span),
      zoom: (factor) => this.#zoom(factor),
      point: (at) => this.#point(at),
      step: (steps) => this.#step(steps),
      live: () => this.#follow(),
    })
    for (const input of /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll('input[name=span]'))) {
      input.addEventListener('change', () => { this.#length = Number(input.value) * 1000; this.#follow() })
    }
    for (const input of document.querySelectorAll('input[name=arrange]')) input.addEventListener('change', () => this.#rebuild())
    for (const [id, act] of /** @type {[string, () => void][]} */ ([
      ['earlier', () => this.#pan(-0.5)], ['later', () => this.#pan(0.5)], ['closer', () => this.#zoom(0.5)], ['wider', () => this.#zoom(2)],
      ['follow', () => this.#follow()], ['copy', () => void this.#copy()], ['all-channels', () => this.choose(this.#channels().map(({ id }) => id))], ['no-channels', () => this.choose([])],
    ])) $(id).addEventListener('click', act)
  }

  /** Another configuration, or the first. @param {import('./board.js').Board} board */
  begin(board) {
    this.board = board
    this.places = new Map(board.channels.map(({ id }, index) => [id, index]))
    this.#names = this.#names.filter((name) => this.places?.has(name))
    if (!this.#names.length) this.#names = this.#first()
    this.#track = null
    this.#recent = []
    this.#loaded = null
    this.#drawChoice()
    this.#rebuild()
  }

  /** The address names what to show. @param {URLSearchParams} asked */
  show(asked) {
    this.#isShown = true
    const names = (asked.get('ch') ?? '').split(',').filter((name) => this.places?.has(name) ?? name)
    const [from, to, seconds] = ['from', 'to', 'span'].map((name) => Number(asked.get(name)))
    this.#names = names.length ? names : this.#names.length ? this.#names : this.#first()
    this.#fixed = from && to > from ? { from, to } : this.#fixed && !seconds ? this.#fixed : null
    if (seconds) this.#length = seconds * 1000
    this.#rebuild()
  }

  hide() {
    this.#isShown = false
  }

  /** @param {string[]} names */
  choose(names) {
    this.#names = this.#channels().map(({ id }) => id).filter((id) => names.includes(id))
    this.#rebuild()
  }

  /** @param {import('./types').Frame} frame */
  push(frame) {
    this.#recent.push(frame)
    if (this.#recent.length > RECENT_MOST) this.#recent.shift()
    if (this.places && !this.#fixed) this.#track?.push(frame, this.places)
  }

  /** The span in view. @returns {import('./span.js').Span} */
  span() {
    return this.#fixed ?? ending(this.board?.now() ?? Date.now(), this.#length)
  }

  /** Draws again; called as often as a change can be seen. */
  draw() {
    if (!this.#isShown || !this.board || document.hidden) return
    const span = this.span()
    if (!this.#fixed && this.#loaded && this.#loaded.at < Date.now() - RENEW_MS) void this.#load()
    const track = this.#track
    put($('span-said'), this.#said(span))
    $('follow').hidden = !this.#fixed
    if (!track) return
    this.#strips.forEach(({ strip, names }, index) => strip.draw(this.#picture(track, names, span, index === this.#strips.length - 1)))
    this.#read(track)
  }

  /** After a change of units, zone or appearance. */
  restyle() {
    this.#rebuild()
    for (const { strip } of this.#strips) strip.restyle()
  }

  /** After a loss of contact or a change of the past. */
  renew() {
    if (this.#isShown) void this.#load()
    else this.#loaded = null
  }

  /** Some channel's state has changed: gaps may have begun or ended, as soon as the next commit is done. */
  again() {
    this.#later ??= setTimeout(() => {
      this.#later = null
      if (this.#isShown && this.#loaded) void this.#loadHappened(this.#loaded, this.#names)
    }, COMMITTED_MS)
  }

  #channels() {
    return this.board?.channels ?? []
  }

  /** What is shown where nothing is asked for: the first of each kind. */
  #first() {
    const kinds = new Set()
    return this.#channels().filter(({ kind }) => ['velocity', 'temperature'].includes(kind) && !kinds.has(kind) && kinds.add(kind)).map(({ id }) => id)
  }

  /** @param {import('./span.js').Span} span */
  #said({ from, to }) {
    const clock = reading()
    const end = this.#fixed ? clock.when(to, from) : 'now'
    return `${clock.date(from)} ${clock.time(from)} to ${end} ${clock.offset(from)}, ${length(to - from)}`
  }

  // ---- what the reader does --------------------------------------------------------------------

  /** @param {import('./span.js').Span} span */
  #look(span) {
    this.#fixed = span
    this.#length = span.to - span.from
    this.#changed()
  }

  #follow() {
    // What stood still took no frames in: what is loaded ends where it was left.
    if (this.#fixed) this.#loaded = null
    this.#fixed = null
    this.#changed()
  }

  /** @param {number} share */
  #pan(share) {
    this.#look(panned(this.span(), share, this.board?.now() ?? Date.now()))
  }

  /** Closer or wider: about the cursor, or the end that is followed. @param {number} factor */
  #zoom(factor) {
    const span = this.span()
    if (!this.#fixed && this.#cursor === null) {
      this.#length = Math.max(2000, this.#length * factor)
      return this.#changed()
    }
    this.#look(zoomed(span, factor, this.#cursor ?? (span.from + span.to) / 2))
  }

  /** The cursor by buckets. @param {number} steps */
  #step(steps) {
    const [track, { from, to }] = [this.#track, this.span()]
    if (!track) return
    const stride = Math.max(track.dt, (to - from) / 400)
    const at = Number.isFinite(steps) ? (this.#cursor ?? to) + steps * stride : steps < 0 ? from : to
    this.#point(Math.min(to, Math.max(from, at)))
  }

  /** @param {number | null} at */
  #point(at) {
    this.#cursor = at
    for (const { strip } of this.#strips) strip.point(at)
    if (this.#track) this.#read(this.#track)
  }

  #changed() {
    this.#tellAddress()
    for (const input of /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll('input[name=span]'))) {
      input.checked = !this.#fixed && Number(input.value) * 1000 === this.#length
    }
    this.draw()
    clearTimeout(this.#soon)
    this.#soon = setTimeout(() => { if (!this.#isEnough()) void this.#load() }, 150)
  }

  #tellAddress() {
    if (!this.#isShown) return
    const query = new URLSearchParams({ ch: this.#names.join(',') })
    if (this.#fixed) {
      query.set('from', String(Math.round(this.#fixed.from)))
      query.set('to', String(Math.round(this.#fixed.to)))
    } else {
      query.set('span', String(Math.round(this.#length / 1000)))
    }
    this.goTo(`over-time?${query.toString().replaceAll('%2C', ',')}`)
  }

  // ---- loading ----------------------------------------------------------------------------------

  #isEnough() {
    if (!this.#loaded || this.#loaded.names !== this.#names.join()) return false
    const reach = Math.max(this.#loaded.to, this.#fixed ? 0 : Infinity)
    return covers({ from: this.#loaded.from, to: reach === Infinity ? this.span().to : reach }, this.span())
  }

  async #load() {
    this.#loading?.abort()
    if (!this.#names.length || !this.board) return this.#note('No channel is chosen. Choose some above.')
    const loading = this.#loading = new AbortController()
    // What is followed ends now: frames go on from there.
    const [names, span] = [[...this.#names], this.span()]
    const wanted = this.#fixed ? withMargin(span) : { ...withMargin(span), to: Math.floor(span.to) }
    const query = new URLSearchParams({ from: String(wanted.from), to: String(wanted.to), max: String(BUCKETS), ch: names.join(',') })
    if (!this.#track) this.#note(`Loading ${length(wanted.to - wanted.from)}…`)
    try {
      const answer = await ask(`/api/v1/history?${query}`, loading.signal)
      const history = unpack(await answer.arrayBuffer())
      if (loading.signal.aborted) return
      this.#track = new Track(history, this.board.marks.indexOf('none'))
      if (!this.#fixed && this.places) this.#track.replay(this.#recent, this.places)
      this.#loaded = { ...wanted, names: names.join(), at: Date.now() }
      // A page that has just been opened has no frames for what is not on the disk yet: it asks once more.
      if (!this.#fixed && (this.#recent[0]?.t ?? Infinity) > wanted.to - NEW_MS) this.#soon = setTimeout(() => void this.#load(), NEW_MS / 2)
      this.#note('')
      this.draw()
      performance.mark('history drawn')
    } catch (error) {
      if (loading.signal.aborted) return
      this.#note(`The past could not be loaded: ${reason(error)} Live values go on.`)
      $('strips-note').append(' ', button('Try again', () => void this.#load()))
      return
    }
    void this.#loadHappened(wanted, names)
  }

  /** @param {string} words */
  #note(words) {
    put($('strips-note'), words)
    $('strips-note').hidden = !words
  }

  /** Gaps, runs and events of the span. @param {import('./span.js').Span} span @param {string[]} names */
  async #loadHappened({ from, to }, names) {
    const ch = names.join(',')
    const [{ gaps }, { runs }, { events }] = await Promise.all([
      askJson(`/api/v1/gaps?limit=1000&from=${from}&to=${to}&ch=${ch}`).catch(() => ({ gaps: [] })),
      askJson('/api/v1/runs?limit=200').catch(() => ({ runs: [] })),
      askJson('/api/v1/events?limit=500').catch(() => ({ events: [] })),
    ])
    const now = this.board?.now() ?? Date.now()
    // What goes on reaches up to now, whenever that is drawn.
    const time = (/** @type {string | null} */ text) => (text ? Date.parse(text) : Infinity)
    this.#happened = {
      gaps: gaps.map((gap) => ({ ...gap, from: Date.parse(gap.from), to: time(gap.to), words: CAUSE[gap.cause] ?? sentence(gap.cause), open: !gap.to })),
      runs: runs.flatMap((run) => (run.since ? [{ id: run.id, from: Date.parse(run.since), to: time(run.until), words: run.name }] : [])).filter((run) => run.to > from && run.from < to),
      events: events.map((event) => ({ at: Date.parse(event.at), words: event.text, severity: event.severity })).filter(({ at }) => at >= from && at <= to),
    }
    this.#tellHappened()
    this.draw()
  }

  #tellHappened() {
    const [clock, now] = [reading(), this.board?.now() ?? Date.now()]
    const { from, to } = this.span()
    const inside = (/** @type {{from: number, to: number}} */ it) => it.to > from && it.from < to
    const gaps = joined(this.#happened.gaps.filter(inside).map((gap) => ({ ...gap, from: new Date(gap.from).toISOString(), to: gap.open ? null : new Date(gap.to).toISOString() })))
    const lines = [
      ...this.#happened.runs.filter(inside).map((run) => ({ at: run.from, words: `Run ${run.words}, ${run.to > now ? `for ${length(now - run.from)} so far` : length(run.to - run.from)}` })),
      ...gaps.map((gap) => ({ at: Date.parse(gap.from), words: `Gap: ${gap.causes.map((cause) => CAUSE[cause] ?? cause).join(', then ')}, ${length((gap.to ? Date.parse(gap.to) : now) - Date.parse(gap.from))}, ${gap.channels.length > 3 ? `${gap.channels.length} channels` : gap.channels.join(', ')}` })),
      ...this.#happened.events.filter(({ at }) => at >= from && at <= to).map(({ at, words }) => ({ at, words: sentence(timed(words)) })),
    ].sort((a, b) => b.at - a.at)
    const shown = lines.slice(0, EVENTS_SHOWN).map(({ at, words }) => element('li', '', element('time', '', clock.when(at, now)), element('span', 'short', words)))
    $('happened').replaceChildren(...shown)
    put($('happened-note'), lines.length > EVENTS_SHOWN ? `The latest ${EVENTS_SHOWN} of ${lines.length}.` : lines.length ? '' : 'Nothing: no run, no gap, no event.')
  }

  // ---- what stands there -------------------------------------------------------------------------

  #drawChoice() {
    /** @type {Map<string, HTMLElement>} */ const points = new Map()
    for (const { id, point, kind } of this.#channels()) {
      const box = element('input')
      box.type = 'checkbox'
      box.value = id
      box.addEventListener('change', () => this.choose(box.checked ? [...this.#names, id] : this.#names.filter((name) => name !== id)))
      const group = points.get(point) ?? element('fieldset', '', element('legend', '', point))
      group.append(element('label', '', box, ' ', id.slice(point.length + 1).replaceAll('-', ' ') || kind.replaceAll('_', ' ')))
      points.set(point, group)
    }
    $('choose-channels').replaceChildren(...points.values())
  }

  #rebuild() {
    if (!this.board || !this.#isShown) return
    this.writers = new Map(this.#channels().map((channel) => [channel.id, writer(channel, look('units'))]))
    for (const box of /** @type {NodeListOf<HTMLInputElement>} */ ($('choose-channels').querySelectorAll('input'))) box.checked = this.#names.includes(box.value)
    put($('chosen-count'), `${this.#names.length} of ${this.#channels().length}`)
    for (const { strip, head } of this.#strips) {
      strip.end()
      head.remove()
    }
    const groups = this.#groups()
    $('strips').dataset.many = String(groups.length > 8)
    this.#strips = groups.map((names, index) => this.#strip(names, index === groups.length - 1))
    if (!this.#names.length) {
      this.#track = null
      this.#loaded = null
    }
    this.#changed()
    if (!this.#names.length) void this.#load()
  }

  /** Lanes: a channel each. Together: those of one quantity. */
  #groups() {
    const isTogether = /** @type {HTMLInputElement | null} */ (document.querySelector('input[name=arrange]:checked'))?.value === 'together'
    if (!isTogether) return this.#names.map((name) => [name])
    /** @type {Map<string, string[]>} */ const kinds = new Map()
    for (const name of this.#names) {
      const { kind } = this.#channel(name)
      kinds.set(kind, [...(kinds.get(kind) ?? []), name])
    }
    return [...kinds.values()]
  }

  /** @param {string} name */
  #channel(name) {
    return this.#channels()[this.places?.get(name) ?? 0]
  }

  /** @param {string[]} names @param {boolean} isLast */
  #strip(names, isLast) {
    const head = element('div', 'strip-head')
    /** @type {Map<string, HTMLElement>} */ const said = new Map()
    names.forEach((name, slot) => {
      const value = element('span', 'value')
      said.set(name, value)
      const remove = button('×', () => this.choose(this.#names.filter((other) => other !== name)), 'plain')
      remove.setAttribute('aria-label', `Remove ${name}`)
      head.append(element('span', 'key', key(slot), element('b', '', name), ' ', value, remove))
    })
    const host = element('div', `strip${isLast ? ' last' : ''}${names.length > 1 ? ' tall' : ''}`)
    host.setAttribute('aria-hidden', 'true')
    $('strips').append(head, host)
    return { strip: new Strip(host), head, said, names }
  }

  /** @param {Track} track @param {string[]} names @param {import('./span.js').Span} span @param {boolean} hasAxis @returns {import('./strip.js').Picture} */
  #picture(track, names, span, hasAxis) {
    const channels = names.map((name) => this.#channel(name))
    const now = this.board?.now() ?? Date.now()
    const upToNow = (/** @type {import('./strip.js').Stretch} */ stretch) => ({ ...stretch, to: Math.min(stretch.to, now) })
    const own = /** @type {import('./units.js').Writer} */ (this.writers?.get(names[0]))
    const series = channels.flatMap(({ id, period_ms: period }, slot) => {
      const column = track.columns.get(id)
      return column ? [{ name: id, slot, column, period }] : []
    })
    return {
      span, track, series, hasAxis, writer: own, clock: reading(),
      least: 10 ** -own.places * 8,
      gaps: this.#happened.gaps.filter(({ channel }) => names.includes(channel)).map(upToNow),
      runs: this.#happened.runs.map(upToNow), events: this.#happened.events,
      doubtful: DOUBTFUL.map((mark) => this.board?.marks.indexOf(mark) ?? -1),
    }
  }

  /** The values under the cursor, or the newest. @param {Track} track */
  #read(track) {
    const at = this.#cursor
    const clock = reading()
    const bucket = at === null ? -1 : track.bucket(at)
    if (at === null) put($('readout'), 'Point at a strip to read it. Drag to zoom; on a touch screen drag to move and spread two fingers to zoom.')
    else put($('readout'), `${clock.date(at)} ${clock.time(at)} ${clock.offset(at)}: mean (lowest to highest) of ${length(track.dt)}`)
    for (const { said } of this.#strips) {
      for (const [name, place] of said) put(place, at === null ? this.#newest(name) : this.#at(track, name, bucket))
    }
  }

  /** @param {string} name */
  #newest(name) {
    const own = this.writers?.get(name)
    const index = this.places?.get(name)
    if (!own || index === undefined || !this.board) return ''
    if (this.#fixed) return own.unit
    return `${own.text(this.board.shown(index))} ${own.unit}${word(this.board.mark[index])}`
  }

  /** @param {Track} track @param {string} name @param {number} bucket */
  #at(track, name, bucket) {
    const [own, column] = [this.writers?.get(name), track.columns.get(name)]
    if (!own || !column || bucket < 0 || bucket >= track.n || Number.isNaN(column.mean[bucket])) return this.#why(name)
    const [mean, lo, hi] = [column.mean[bucket], column.lo[bucket], column.hi[bucket]]
    const ends = lo === hi ? '' : ` (${own.text(lo)} to ${own.text(hi)})`
    return `${own.text(mean)} ${own.unit}${ends}${word(this.board?.marks[column.q[bucket]] ?? '')}`
  }

  /** @param {string} name */
  #why(name) {
    const at = this.#cursor ?? 0
    const gap = this.#happened.gaps.find(({ channel, from, to }) => channel === name && from <= at && at <= to)
    return gap ? `no data: ${gap.words.toLowerCase()}` : 'no data'
  }

  async #copy() {
    const track = this.#track
    if (!track || !this.board) return
    const channels = this.#names.flatMap((name) => { const own = this.writers?.get(name); return own ? [{ name, writer: own }] : [] })
    const text = csv({ span: this.span(), track, channels, clock: reading(), marks: this.board.marks })
    const rows = text.split('\r\n').length - 2
    try {
      await navigator.clipboard.writeText(text)
      put($('copied'), `${rows} rows copied.`)
    } catch {
      save(text)
      put($('copied'), `${rows} rows saved as a file: this browser lets no page without https copy.`)
    }
  }
}

/** @typedef {{gaps: (import('./strip.js').Stretch & {channel: string, cause: string, detail: string, missed: number, open: boolean})[], runs: (import('./strip.js').Stretch & {id: number})[], events: {at: number, words: string}[]}} Happened */

/** A quality, where it is not simply good. @param {string} mark */
const word = (mark) => (mark && mark !== 'ok' ? `, ${(QUALITY[mark]?.name ?? mark).toLowerCase()}` : '')

/** The line of a series beside its name. @param {number} slot */
function key(slot) {
  const line = drawing('line', { x1: 0, x2: 26, y1: 5, y2: 5, class: `line-${slot % 6}`, 'stroke-dasharray': DASHES[slot % DASHES.length].join(' ') })
  return drawing('svg', { width: 26, height: 10, 'aria-hidden': 'true' }, line)
}

/** @param {string} text */
function save(text) {
  const link = element('a')
  link.href = URL.createObjectURL(new Blob([text], { type: 'text/csv' }))
  link.download = 'zonda-chart.csv'
  link.click()
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000)
}
