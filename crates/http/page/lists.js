// What is asked for now and then rather than streamed: how the lines do, and the gaps of the last day.

import { element } from './dom.js'
import { count, length } from './format.js'
import { CAUSE, LINE, list, many, sentence } from './words.js'

/** Gaps that are shown; the CSV has all. */
const GAPS_SHOWN = 20

/** @typedef {ReturnType<typeof import('./format.js').clock>} Clock */

/** @param {HTMLElement} place @param {import('./types').Line[]} lines @param {Clock} clock @param {number} now */
export function drawLines(place, lines, clock, now) {
  const items = lines.map((line) => {
    const item = element('li', 'line')
    const { name, isWell } = LINE[line.state] ?? { name: sentence(line.state), isWell: false }
    item.dataset.well = String(isWell)
    const head = element('p', 'head')
    const since = line.state_since ? ` since ${clock.when(Date.parse(line.state_since), now)}` : ''
    head.append(element('b', '', line.name), ' ', element('span', 'word', name), element('span', 'soft', since))
    item.append(head, element('p', 'soft', work(line)))
    for (const text of troubles(line, clock, now)) item.append(element('p', 'trouble', text))
    return item
  })
  place.replaceChildren(...items)
}

/** What a line does, in a sentence. @param {import('./types').Line} line */
function work(line) {
  const missed = Object.entries(line.missed)
  const total = missed.reduce((sum, [, ticks]) => sum + ticks, 0)
  const causes = missed.sort(([, a], [, b]) => b - a).map(([cause, ticks]) => `${missed.length > 1 ? `${count(ticks)} ` : ''}${(CAUSE[cause] ?? cause).toLowerCase()}`)
  const late = line.late_ticks ? `, ${count(line.late_ticks)} late` : ''
  const lost = total ? `${count(total)} missed (${causes.join(', ')})` : 'none missed'
  const again = line.retries ? ` ${many(line.retries, 'request')} repeated.` : ''
  const opened = line.opens > 1 ? ` Opened ${line.opens} times.` : ''
  return `${count(line.ticks)} ticks${late}, ${lost}.${again}${opened}${pace(line)}`
}

/** How a round compares with the wire. @param {import('./types').Line} line */
function pace({ cycle_ms: took, wire_min_ms: least }) {
  if (took === null) return ''
  const wire = least && least <= took ? `; the wire alone needs ${Math.round(least)} ms` : ''
  return ` A round takes ${Math.max(1, Math.round(took))} ms${wire}.`
}

/** What is wrong now: sources that do not answer, or the line itself.
 * @param {import('./types').Line} line @param {Clock} clock @param {number} now */
function troubles(line, clock, now) {
  const silent = line.sources.filter((source) => source.misses_in_a_row > 1)
  const texts = silent.map((source) => {
    const since = source.good_at ? `no data since ${clock.when(Date.parse(source.good_at), now)}` : 'no data yet'
    return `${source.name}: ${since}${source.error ? `; ${source.error.text}` : ''}`
  })
  const isWell = LINE[line.state]?.isWell
  if (!texts.length && !isWell && line.error) texts.push(`${clock.when(Date.parse(line.error.at), now)}: ${line.error.text}`)
  return texts
}

/**
 * @param {{body: HTMLElement, note: HTMLElement, table: HTMLElement}} places
 * @param {import('./types').Gap[]} gaps @param {string} stretch that they are of, in words
 * @param {Clock} clock @param {number} now
 * @returns {string} how many there are
 */
export function drawGaps({ body, note, table }, gaps, stretch, clock, now) {
  const all = chained(joined(gaps)).sort((a, b) => Number(Boolean(a.to)) - Number(Boolean(b.to)) || Date.parse(b.from) - Date.parse(a.from))
  const shown = all.slice(0, GAPS_SHOWN)
  table.hidden = !shown.length
  note.textContent = all.length ? `${all.length > shown.length ? `The latest ${shown.length} of ${all.length} gaps` : many(all.length, 'gap')} of the last ${stretch}, the open ones first.` : `No sample is missing in the last ${stretch}.`
  body.replaceChildren(...shown.map((gap) => gapRow(gap, clock, now)))
  return `${all.length ? many(all.length, 'gap') : 'No gap'} in the last ${stretch}`
}

/** @param {Joined} gap @param {Clock} clock @param {number} now */
function gapRow(gap, clock, now) {
  const line = element('tr', '')
  line.setAttribute('role', 'row')
  const [from, to] = [Date.parse(gap.from), gap.to ? Date.parse(gap.to) : now]
  const until = gap.to ? clock.when(to, now) : 'still open'
  const cells = [
    ['when', `${clock.when(from, now)} – ${until}`],
    ['long num', length(to - from)],
    ['cause', [gap.causes.map((cause) => CAUSE[cause] ?? sentence(cause)).join(', then ').replace(/, then ./g, (text) => text.toLowerCase()), saysMore(gap) ? gap.detail.replaceAll('`', '') : ''].filter(Boolean).join(': ')],
    ['who', gap.channels.length > 4 ? `${gap.channels.slice(0, 3).join(', ')} and ${gap.channels.length - 3} more` : list(gap.channels)],
    ['missed num', count(gap.missed)],
  ]
  line.dataset.open = String(!gap.to)
  for (const [name, text] of cells) {
    const cell = line.appendChild(element('td', name, text))
    cell.setAttribute('role', 'cell')
  }
  return line
}

/** What a recorder that was not running has to say more is nothing. @param {Joined} gap */
const saysMore = ({ causes, detail }) => Boolean(detail) && causes[causes.length - 1] !== 'daemon_stopped'

/** @typedef {{from: string, to: string | null, causes: string[], detail: string, missed: number, channels: string[]}} Joined */

/** Lines tick apart by so much, ms: gaps that begin and end together within it are one to a reader. */
const TOGETHER_MS = 2500

/** Gaps of several channels over one stretch for one cause are one gap to a reader.
 * @param {import('./types').Gap[]} gaps @returns {Joined[]} */
export function joined(gaps) {
  /** @type {Map<string, Joined[]>} */ const all = new Map()
  for (const { channel, missed, cause, ...gap } of gaps) {
    const key = [cause, gap.detail].join('|')
    const like = all.get(key) ?? []
    all.set(key, like)
    const found = like.find((one) => !one.channels.includes(channel) && isNear(one.from, gap.from) && isNear(one.to, gap.to))
    if (!found) {
      like.push({ ...gap, causes: [cause], missed, channels: [channel] })
      continue
    }
    found.channels.push(channel)
    found.missed += missed
  }
  return [...all.values()].flat()
}

/** @param {string | null} one @param {string | null} other */
const isNear = (one, other) => one === other || (one !== null && other !== null && Math.abs(Date.parse(one) - Date.parse(other)) < TOGETHER_MS)

/** And so are gaps of the same channels of which each begins where the last one ends: a device that
 * stays silent is first late, then given up. @param {Joined[]} gaps by their beginning @returns {Joined[]} */
export function chained(gaps) {
  /** @type {Map<string, Joined>} */ const ends = new Map()
  const all = []
  for (const gap of gaps) {
    const who = gap.channels.join('|')
    const before = ends.get(`${who}|${gap.from}`)
    const one = before ?? gap
    if (before) {
      before.to = gap.to
      before.detail = gap.detail
      before.missed += gap.missed
      before.causes = [...new Set([...before.causes, ...gap.causes])]
    } else {
      all.push(gap)
    }
    if (gap.to) ends.set(`${who}|${gap.to}`, one)
  }
  return all
}
