// Puts the page together. The stream only fills the board; drawing goes at a pace that can be read.

import { ask, askJson, reason } from './api.js'
import { Board } from './board.js'
import { shownMark } from './channels.js'
import { Contact } from './contact.js'
import { $, element, put } from './dom.js'
import { Instruments } from './instruments.js'
import { drawGaps, drawLines } from './lists.js'
import { beginLook, onLook, reading, setStationZone } from './look.js'
import { Now, newestRuns } from './now.js'
import { OverTime } from './past.js'
import { Runs } from './runs.js'
import { beginSession } from './session.js'
import { showStation } from './station.js'
import { simulation, state } from './state.js'
import { BUCKETS, SPAN_MS, Trend, unpack } from './trend.js'
import { Views } from './views.js'
import { QUALITY } from './words.js'

const DIGITS_MS = 500
const LISTS_MS = 10_000
/** Nobody should find digits at 3 a.m. that somebody froze at midnight. */
const FROZEN_MOST_MS = 120_000

beginLook()
const isCalm = matchMedia('(prefers-reduced-motion: reduce)')
const views = new Views()
const now = new Now((part) => views.go(part))
const runs = new Runs((part) => views.go(part))
const instruments = new Instruments()
const past = new OverTime((part) => views.replace(part))

/** @type {Board | null} */ let board = null
/** @type {Trend | null} */ let trend = null
/** @type {import('./types').Hello | null} */ let hello = null
let frozenAt = 0
let firstBuild = ''
/** What is asked for now and then. @type {{lines: import('./types').Line[], runs: import('./types').RunShort[], gaps: string}} */
const known = { lines: [], runs: [], gaps: '' }

// ---- what the stream tells ---------------------------------------------------------------------

const TOLD = /** @type {Record<string, (data: any) => void>} */ ({
  hello: begin,
  frame(/** @type {import('./types').Frame} */ frame) {
    if (!board?.push(frame)) return
    trend?.push(frame)
    past.push(frame)
  },
  why(why) {
    if (board) board.why = why
    askForLists()
    past.again()
  },
  health(health) {
    if (board) board.health = health
    second()
  },
})

const contact = new Contact('/api/v1/live/stream', (event, data) => TOLD[event]?.(data), () => {
  second()
  draw()
})

/** @param {import('./types').Hello} told */
function begin(told) {
  const isNew = !board || hello?.cfg !== told.cfg
  hello = told
  firstBuild ||= told.build
  $('renewed').hidden = told.build === firstBuild
  if (isNew) build(told)
  else if (board) Object.assign(board, { why: told.why, health: told.health, ahead: told.now - Date.now() })
  if (isNew || !told.resumed) {
    void loadTrend()
    past.renew()
  }
  askForLists()
}

/** @param {import('./types').Hello} told */
function build(told) {
  board = new Board(told)
  trend = new Trend(told.channels.length)
  setStationZone(told.tz)
  now.begin(board)
  past.begin(board)
  instruments.begin(board)
  runs.begin(board)
  put($('site'), told.site)
  put($('build'), `${told.title} ${told.build}`)
  const rig = simulation(told.channels)
  $('simulated').hidden = rig === null
  put($('rig'), rig ?? '')
}

async function loadTrend() {
  const [of, names] = [trend, hello?.channels.map(({ id }) => id) ?? []]
  if (!of || !board || !names.length) return
  const from = Math.floor(board.now()) - SPAN_MS
  const query = new URLSearchParams({ from: String(from), max: String(BUCKETS + 10), ch: names.join(',') })
  try {
    const answer = await ask(`/api/v1/history?${query}`)
    of.load(unpack(await answer.arrayBuffer()), new Map(names.map((name, index) => [name, index])))
    put($('past'), '')
  } catch (error) {
    put($('past'), `The last 10 minutes could not be loaded: ${reason(error)} They fill up from now on.`)
  }
  drawTrend()
}

// ---- drawing -----------------------------------------------------------------------------------

const isLive = () => contact?.link.state === 'live'

function draw() {
  if (!board || frozenAt || document.hidden) return
  if (views.name === 'now') now.draw(board, isLive())
  past.draw()
}

function drawTrend() {
  if (!board || !trend || frozenAt || document.hidden || views.name !== 'now') return
  if (isLive()) trend.reach(board.now())
  now.table.drawTrend(trend)
}

/** What changes with the second: the sentence, the clock, the facts. */
function second() {
  const { link } = contact ?? {}
  if (!link) return
  const [ahead, judged, clock] = [board?.ahead ?? 0, judgedNow(), reading()]
  const said = state({
    link,
    health: board?.health ?? null,
    channels: judged,
    time: (at) => clock.when(at + ahead, Date.now() + ahead),
  })
  document.body.dataset.link = link.state
  $('state').dataset.level = said.level
  put($('head'), said.head)
  put($('text'), said.text)
  const wait = Math.ceil((link.retryAt - Date.now()) / 1000)
  $('retry').hidden = link.state !== 'lost'
  put($('next'), wait > 0 ? `Next try in ${wait} s.` : 'Trying…')
  announce(said)
  if (board) now.second(board, isLive(), { judged, ...known })
  drawClock()
  thawInTime()
  title(said)
}

function judgedNow() {
  if (!board) return []
  const { channels, why } = board
  return board.mark.map((mark, index) => ({ name: channels[index].id, mark: shownMark(mark, isLive()), why: why[channels[index].id] ?? '' }))
}

/** Tells those who listen when contact or recording changes, and not each channel's ups and downs.
 * @param {import('./state.js').Said} said */
function announce({ level, head, text }) {
  put($('say'), level === 'bad' ? `${head} ${text}` : head)
}

function drawClock() {
  if (!board) return
  const [at, clock] = [board.now(), reading()]
  put($('time'), clock.time(at))
  put($('date'), clock.date(at))
  put($('offset'), clock.offset(at))
}

/** @param {import('./state.js').Said} said */
function title({ head, level }) {
  const site = hello?.site ?? 'Zonda'
  const bad = board?.mark.filter((mark) => mark !== 'ok' && mark !== 'off').length
  const short = level === 'mind' && bad ? `${bad} to look at` : head.replace(/[.:]$/, '')
  const text = `${short} · ${site}`
  if (document.title !== text) document.title = text
}

// ---- lines, gaps and runs ------------------------------------------------------------------------

let asked = 0

function askForLists() {
  const isSoon = Date.now() - asked < 1000
  if (!board || document.hidden || contact?.link.state === 'lost' || isSoon) return
  asked = Date.now()
  void showLines()
  void showGaps()
  if (views.name === 'station') void showStation(board.health)
  void newestRuns(known.runs).then((runs) => { known.runs = runs })
}

async function showLines() {
  try {
    known.lines = (await askJson('/api/v1/lines')).lines
    drawLines($('line-list'), known.lines, reading(), board?.now() ?? Date.now())
    put($('lines-note'), known.lines.length ? '' : 'No lines are configured.')
    second()
  } catch (error) {
    put($('lines-note'), `The lines could not be asked for: ${reason(error)} What is below may be old.`)
  }
}

/** The last day; the last hour where a day has more gaps than one answer holds. */
async function showGaps() {
  const places = { body: $('gap-rows'), note: $('gaps-note'), table: $('gap-table') }
  const at = board?.now() ?? Date.now()
  try {
    for (const [hours, words] of /** @type {[number, string][]} */ ([[24, '24 hours'], [1, 'hour']])) {
      const { gaps, next } = await askJson(`/api/v1/gaps?limit=1000&from=${Math.floor(at - hours * 3_600_000)}`)
      if (next && hours > 1) continue
      known.gaps = drawGaps(places, gaps, words, reading(), at)
      if (next) places.note.textContent = `The last ${words} has more than 1000 gaps; the CSV file has all. The first of them:`
      second()
      return
    }
  } catch (error) {
    put(places.note, `The gaps could not be asked for: ${reason(error)} What is below may be old.`)
  }
}

// ---- controls ------------------------------------------------------------------------------------

/** @param {boolean} isOn */
function freeze(isOn) {
  frozenAt = isOn && board ? board.now() : 0
  $('freeze').setAttribute('aria-pressed', String(Boolean(frozenAt)))
  $('frozen').hidden = !frozenAt
  if (frozenAt) put($('since'), `Digits frozen at ${reading().time(frozenAt)}, for two minutes at most. The sentence above, and the recording, go on.`)
  draw()
  drawTrend()
}

function thawInTime() {
  if (frozenAt && board && board.now() - frozenAt > FROZEN_MOST_MS) freeze(false)
}

function writeLinks() {
  const isOn = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ ($(id)).checked
  const options = { dialect: isOn('semicolon') && 'semicolon', units: isOn('own') && 'configured', tz: isOn('local') && 'local' }
  for (const link of /** @type {NodeListOf<HTMLAnchorElement>} */ (document.querySelectorAll('.files a'))) {
    const url = new URL(link.href)
    for (const [name, value] of Object.entries(options)) {
      if (value) url.searchParams.set(name, value)
      else url.searchParams.delete(name)
    }
    link.href = url.pathname + url.search
  }
}

function redrawAll() {
  second()
  draw()
  drawTrend()
  askForLists()
}

onLook((choice) => {
  if (choice === 'units') now.restyle()
  past.restyle()
  void runs.renew()
  redrawAll()
})
for (const look of ['(prefers-color-scheme: dark)', '(forced-colors: active)']) matchMedia(look).addEventListener('change', () => past.restyle())
for (const input of /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll('input[name=show]'))) {
  input.addEventListener('change', () => now.table.filter(input.value === 'bad'))
}
for (const id of ['semicolon', 'own', 'local']) $(id).addEventListener('change', writeLinks)
const dialog = /** @type {HTMLDialogElement} */ ($('display-dialog'))
$('display').addEventListener('click', () => dialog.showModal())
$('display-close').addEventListener('click', () => dialog.close())
$('freeze').addEventListener('click', () => freeze(!frozenAt))
$('thaw').addEventListener('click', () => {
  freeze(false)
  $('freeze').focus()
})
$('try').addEventListener('click', () => contact.tryNow())
$('reload').addEventListener('click', () => location.reload())
document.addEventListener('visibilitychange', redrawAll)
$('words').replaceChildren(...Object.values(QUALITY).flatMap(({ name, means }) => [element('dt', '', name), element('dd', '', means)]))

views.begin({
  now: { show: redrawAll },
  'over-time': { show: (query) => past.show(query), hide: () => past.hide() },
  instruments: { show: () => instruments.show(), hide: () => instruments.hide() },
  station: { show: () => void showStation(board?.health ?? null) },
  runs: { show: (query) => runs.show(query), hide: () => runs.hide() },
})
void beginSession(() => {
  contact.tryNow()
  redrawAll()
})
writeLinks()
setInterval(draw, isCalm.matches ? 1000 : DIGITS_MS)
setInterval(() => { second(); drawTrend() }, 1000)
setInterval(askForLists, LISTS_MS)
