// Puts the page together. The stream only fills the board; drawing goes at a pace that can be read.

import { Board } from './board.js'
import { ChannelTable, element, put } from './channels.js'
import { Contact } from './contact.js'
import { clock } from './format.js'
import { ask, drawGaps, drawLines } from './lists.js'
import { facts, simulation, state } from './state.js'
import { BUCKETS, SPAN_MS, Trend, unpack } from './trend.js'
import { QUALITY } from './words.js'

const DIGITS_MS = 500
const LISTS_MS = 10_000
/** Nobody should find digits at 3 a.m. that somebody froze at midnight. */
const FROZEN_MOST_MS = 120_000

const $ = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id))
const isCalm = matchMedia('(prefers-reduced-motion: reduce)')
const table = new ChannelTable($('rows'), $('empty'))

/** @type {Board | null} */ let board = null
/** @type {Trend | null} */ let trend = null
/** @type {import('./types').Hello | null} */ let hello = null
let time = clock('UTC')
let frozenAt = 0
let gapsFact = ''
let firstBuild = ''
let units = /** @type {import('./types').Units} */ (recall('units', 'configured'))

// ---- what the stream tells ---------------------------------------------------------------------

const TOLD = /** @type {Record<string, (data: any) => void>} */ ({
  hello: begin,
  frame(/** @type {import('./types').Frame} */ frame) {
    if (board?.push(frame)) trend?.push(frame)
  },
  why(why) {
    if (board) board.why = why
    askForLists()
  },
  health(health) {
    if (board) board.health = health
    second()
  },
})

const contact = new Contact('/api/v1/live/stream', (event, data) => TOLD[event]?.(data), (link) => {
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
  if (isNew || !told.resumed) void loadTrend()
  askForLists()
}

/** @param {import('./types').Hello} told */
function build(told) {
  board = new Board(told)
  trend = new Trend(told.channels.length)
  time = clock(told.tz)
  table.build(told.channels, units)
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

function draw() {
  if (!board || frozenAt || document.hidden) return
  table.draw(board, contact.link.state === 'live')
}

function drawTrend() {
  if (!board || !trend || frozenAt || document.hidden) return
  if (contact.link.state === 'live') trend.reach(board.now())
  table.drawTrend(trend)
}

/** What changes with the second: the sentence, the clock, the facts. */
function second() {
  const { link } = contact ?? {}
  if (!link) return
  const ahead = board?.ahead ?? 0
  const said = state({
    link,
    health: board?.health ?? null,
    channels: judged(link.state === 'live'),
    time: (at) => time.when(at + ahead, Date.now() + ahead),
  })
  document.body.dataset.link = link.state
  $('state').dataset.level = said.level
  put($('head'), said.head)
  put($('text'), said.text)
  const wait = Math.ceil((link.retryAt - Date.now()) / 1000)
  $('retry').hidden = link.state !== 'lost'
  put($('next'), wait > 0 ? `Next try in ${wait} s.` : 'Trying…')
  announce(said)
  drawFacts(link.state === 'live')
  drawClock()
  thawInTime()
  title(said)
}

/** @param {boolean} isLive */
function judged(isLive) {
  if (!board) return []
  const { channels, why } = board
  return ChannelTable.marks(board, isLive).map((mark, index) => ({ name: channels[index].id, mark, why: why[channels[index].id] ?? '' }))
}

/** Tells those who listen when contact or recording changes, and not each channel's ups and downs.
 * @param {import('./state.js').Said} said */
function announce({ level, head, text }) {
  put($('say'), level === 'bad' ? `${head} ${text}` : head)
}

/** @param {boolean} isLive */
function drawFacts(isLive) {
  const told = board && isLive ? [...facts(board.health), gapsFact].filter(Boolean) : []
  if ($('facts').textContent === told.join('')) return
  $('facts').replaceChildren(...told.map((fact) => element('li', '', fact)))
}

function drawClock() {
  if (!board) return
  const now = board.now()
  put($('time'), time.time(now))
  put($('date'), time.date(now))
  put($('offset'), time.offset(now))
}

/** @param {import('./state.js').Said} said */
function title({ head, level }) {
  const site = hello?.site ?? 'Zonda'
  const bad = board?.mark.filter((mark) => mark !== 'ok' && mark !== 'off').length
  const short = level === 'mind' && bad ? `${bad} to look at` : head.replace(/[.:]$/, '')
  const text = `${short} · ${site}`
  if (document.title !== text) document.title = text
}

// ---- lines and gaps ------------------------------------------------------------------------------

let asked = 0

function askForLists() {
  const isSoon = Date.now() - asked < 1000
  if (!board || document.hidden || contact?.link.state === 'lost' || isSoon) return
  asked = Date.now()
  void showLines()
  void showGaps()
}

async function showLines() {
  try {
    const { lines } = await (await ask('/api/v1/lines')).json()
    drawLines($('line-list'), lines, time, board?.now() ?? Date.now())
    put($('lines-note'), lines.length ? '' : 'No lines are configured.')
  } catch (error) {
    put($('lines-note'), `The lines could not be asked for: ${reason(error)} What is below may be old.`)
  }
}

/** The last day; the last hour where a day has more gaps than one answer holds. */
async function showGaps() {
  const places = { body: $('gap-rows'), note: $('gaps-note'), table: $('gap-table') }
  const now = board?.now() ?? Date.now()
  try {
    for (const [hours, words] of /** @type {[number, string][]} */ ([[24, '24 hours'], [1, 'hour']])) {
      const path = `/api/v1/gaps?limit=1000&from=${Math.floor(now - hours * 3_600_000)}`
      const { gaps, next } = await (await ask(path)).json()
      if (next && hours > 1) continue
      gapsFact = drawGaps(places, gaps, words, time, now)
      if (next) places.note.textContent = `The last ${words} has more than 1000 gaps; the CSV file has all. The first of them:`
      second()
      return
    }
  } catch (error) {
    put(places.note, `The gaps could not be asked for: ${reason(error)} What is below may be old.`)
  }
}

/** An error's own words, as a sentence. @param {unknown} error */
function reason(error) {
  const text = error instanceof Error ? error.message : String(error)
  return /[.!?]$/.test(text) ? text : `${text}.`
}

// ---- controls ------------------------------------------------------------------------------------

/** @param {boolean} isOn */
function freeze(isOn) {
  frozenAt = isOn && board ? board.now() : 0
  $('freeze').setAttribute('aria-pressed', String(Boolean(frozenAt)))
  $('frozen').hidden = !frozenAt
  if (frozenAt) put($('since'), `Digits frozen at ${time.time(frozenAt)}, for two minutes at most. The sentence above, and the recording, go on.`)
  draw()
  drawTrend()
}

function thawInTime() {
  if (frozenAt && board && board.now() - frozenAt > FROZEN_MOST_MS) freeze(false)
}

/** @param {string} name @param {(value: string) => void} then */
function choice(name, then) {
  for (const input of /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll(`input[name=${name}]`))) {
    input.addEventListener('change', () => then(input.value))
    const kept = recall(name, '')
    if (kept === input.value) input.checked = true
  }
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

/** @param {string} theme */
function dress(theme) {
  if (theme === 'auto') delete document.documentElement.dataset.theme
  else document.documentElement.dataset.theme = theme
}

/** @param {string} name @param {string} fallback */
function recall(name, fallback) {
  try {
    return localStorage.getItem(name) ?? fallback
  } catch {
    return fallback
  }
}

/** @param {string} name @param {string} value */
function keep(name, value) {
  try {
    localStorage.setItem(name, value)
  } catch {
    // A private window forgets; nothing depends on it.
  }
}

choice('show', (value) => table.filter(value === 'bad'))
choice('units', (value) => {
  units = /** @type {import('./types').Units} */ (value)
  keep('units', value)
  table.write(units)
  draw()
  drawTrend()
})
choice('theme', (value) => {
  keep('theme', value)
  dress(value)
})
for (const id of ['semicolon', 'own', 'local']) $(id).addEventListener('change', writeLinks)
$('freeze').addEventListener('click', () => freeze(!frozenAt))
$('thaw').addEventListener('click', () => {
  freeze(false)
  $('freeze').focus()
})
$('try').addEventListener('click', () => contact.tryNow())
$('reload').addEventListener('click', () => location.reload())
document.addEventListener('visibilitychange', () => { second(); draw(); drawTrend(); askForLists() })
$('words').replaceChildren(...Object.values(QUALITY).flatMap(({ name, means }) => [element('dt', '', name), element('dd', '', means)]))

dress(recall('theme', 'auto'))
writeLinks()
setInterval(draw, isCalm.matches ? 1000 : DIGITS_MS)
setInterval(() => { second(); drawTrend() }, 1000)
setInterval(askForLists, LISTS_MS)
