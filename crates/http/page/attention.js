// What needs a person, most urgent first. Pure: what is known goes in, a list comes out.

import { length } from './format.js'
import { groups, sentenceOf } from './state.js'
import { LINE, many, sentence, some, told } from './words.js'

/** Fewer days of room than this: order a disk; than that: now. */
const [ROOM_LOOK_DAYS, ROOM_ACT_DAYS] = [14, 2]
/** More channels of one state are not named one by one. */
const NAMED_MOST = 6
/** These marks mean that data are missing or wrong at this moment. */
const GRAVE = new Set(['fault', 'none', 'stale'])

/**
 * @typedef {object} Item
 * @property {'act' | 'look'} level `act`: data are being lost or are wrong; `look`: in the morning
 * @property {string} what in a few words
 * @property {string} more what else is known
 * @property {string} href the view that shows it
 *
 * @typedef {object} Facts
 * @property {import('./types').Health} health
 * @property {import('./state.js').Judged[]} channels
 * @property {import('./types').Line[]} lines
 * @property {string} gaps how many gaps there are, in words
 * @property {(at: number) => string} time
 */

/** @param {Facts} facts @returns {Item[]} */
export function attention({ health, channels, lines, gaps, time }) {
  const items = [...recording(health), ...lines.flatMap((line) => ofLine(line, time)), ...ofChannels(channels), ...room(health), ...clock(health), ...missed(health, gaps)]
  return [...items.filter(({ level }) => level === 'act'), ...items.filter(({ level }) => level === 'look')]
}

/** @param {import('./types').Health} health @returns {Item[]} */
function recording({ recording, trouble }) {
  if (recording) return []
  return [{ level: 'act', what: 'Nothing is being recorded', more: sentence(trouble ?? 'the recorder does not say why'), href: '#station' }]
}

/** @param {import('./types').Line} line @param {(at: number) => string} time @returns {Item[]} */
function ofLine(line, time) {
  const state = LINE[line.state]
  if (state?.isWell || line.state === 'open') return []
  const since = line.state_since ? `since ${time(Date.parse(line.state_since))}` : ''
  const level = line.state === 'partly' ? 'look' : 'act'
  return [{ level, what: `Line ${line.name}: ${(state?.name ?? line.state).toLowerCase()}`, more: [since, line.error?.text].filter(Boolean).join('; '), href: '#station' }]
}

/** @param {import('./state.js').Judged[]} channels @returns {Item[]} */
function ofChannels(channels) {
  const bad = channels.filter(({ mark }) => mark !== 'ok' && mark !== 'off')
  return groups(bad).map((group) => {
    const detail = group[0].why.split(': ').slice(1).join(': ')
    const names = group.length > 2 ? told(some(group.map(({ name }) => name), NAMED_MOST)) : ''
    return {
      level: GRAVE.has(group[0].mark) ? 'act' : 'look',
      what: sentenceOf(group),
      more: [told(detail), names].filter(Boolean).join(' '),
      href: `#over-time?ch=${group.slice(0, 6).map(({ name }) => name).join(',')}&span=3600`,
    }
  })
}

/** @param {import('./types').Health} health @returns {Item[]} */
function room({ disk_days: days, disk_free_gb: free }) {
  if (days === null || days >= ROOM_LOOK_DAYS) return []
  return [{ level: days < ROOM_ACT_DAYS ? 'act' : 'look', what: `Room on the disk for ${days < 1 ? 'less than a day' : many(Math.floor(days), 'day')}`, more: `${free} GB are free.`, href: '#station' }]
}

/** @param {import('./types').Health} health @returns {Item[]} */
function clock({ clock, clock_ms: ahead }) {
  if (clock === 'in step') return []
  return [{ level: 'look', what: `The record’s time is ${length(Math.abs(ahead))} ${clock}`, more: 'It waits for the clock; no time is recorded twice.', href: '#station' }]
}

/** @param {import('./types').Health} health @param {string} gaps @returns {Item[]} */
function missed({ missed_12h: missed }, gaps) {
  if (!missed) return []
  return [{ level: 'look', what: 'Samples are missing', more: gaps ? `${gaps}.` : 'In the last 12 hours.', href: '#station' }]
}
