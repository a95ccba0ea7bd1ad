// Now: the facts at a glance, what needs attention, every point in its place, the table of channels.

import { askJson, reason } from './api.js'
import { attention } from './attention.js'
import { ChannelTable } from './channels.js'
import { $, element, put } from './dom.js'
import { length } from './format.js'
import { look, reading } from './look.js'
import { Points } from './points.js'
import { many } from './words.js'

export class Now {
  /** @param {(part: string) => void} goTo */
  constructor(goTo) {
    this.table = new ChannelTable($('rows'), $('empty'))
    this.points = new Points($('plans'), $('points'), (names) => goTo(`over-time?ch=${names.join(',')}&span=3600`))
  }

  /** Another configuration, or the first. @param {import('./board.js').Board} board */
  begin(board) {
    this.table.build(board.channels, look('units'))
    this.points.build(board.channels, [], look('units'))
    void this.#place(board)
  }

  /** Puts the points where the configuration says that they are. @param {import('./board.js').Board} board */
  async #place(board) {
    const { layouts } = await askJson('/api/v1/layouts').catch(() => ({ layouts: [] }))
    if (layouts.length) this.points.build(board.channels, layouts, look('units'))
  }

  /** After a change of units. */
  restyle() {
    this.table.write(look('units'))
    this.points.write(look('units'))
  }

  /** The digits and the words. @param {import('./board.js').Board} board @param {boolean} isLive */
  draw(board, isLive) {
    this.table.draw(board, isLive)
    this.points.draw(board, isLive)
  }

  /**
   * Facts and what needs attention.
   *
   * @param {import('./board.js').Board} board @param {boolean} isLive
   * @param {{judged: import('./state.js').Judged[], lines: import('./types').Line[], runs: import('./types').RunShort[], gaps: string}} known
   */
  second(board, isLive, { judged, lines, runs, gaps }) {
    const now = board.now()
    const clock = reading()
    drawGlance(isLive ? glance(board, judged, runs, gaps, now) : [])
    const items = isLive ? attention({ health: board.health, channels: judged, lines, gaps, time: (at) => clock.when(at, now) }) : []
    const key = JSON.stringify(items)
    if ($('attention').dataset.key !== key) {
      $('attention').dataset.key = key
      $('attention').replaceChildren(...items.map(itemOf))
    }
    put($('attention-note'), isLive ? (items.length ? '' : 'Nothing. Every channel is good and every line answers.') : 'Not known: there is no contact with the recorder.')
  }
}

/** @param {import('./attention.js').Item} item */
function itemOf({ level, what, more, href }) {
  const link = element('a', '', what)
  link.href = href
  const line = element('li', level, element('span', 'level', level === 'act' ? 'Act now' : 'Look'), element('div', '', link, ' ', element('span', 'soft', more)))
  return line
}

/** @typedef {[string, string, string]} Fact a name, its value, and a second line */

/** @param {import('./board.js').Board} board @param {import('./state.js').Judged[]} judged @param {import('./types').RunShort[]} runs @param {string} gaps @param {number} now @returns {Fact[]} */
function glance(board, judged, runs, gaps, now) {
  const { health } = board
  const used = judged.filter(({ mark }) => mark !== 'off')
  const good = used.filter(({ mark }) => mark === 'ok').length
  const going = runs.filter(({ state }) => state === 'running')
  const waiting = runs.filter(({ state }) => state === 'waiting' || state === 'planned')
  const run = going[0]
  const days = health.disk_days === null ? null : Math.floor(health.disk_days)
  return [
    ['Recorder', health.recording ? 'Recording' : 'Not recording', days === null ? `${health.disk_free_gb} GB free` : `room for ${many(days, 'day')}`],
    ['Channels', `${good} of ${used.length} good`, gaps],
    ['Run', run ? run.name : 'None', run?.since ? `for ${length(now - Date.parse(run.since))}${going.length > 1 ? `, and ${going.length - 1} more` : ''}` : waiting.length ? `${many(waiting.length, 'run')} waiting` : 'the recorder records all the same'],
    ['Clock', health.clock === 'in step' ? 'In step' : 'Ahead', health.clock === 'in step' ? 'with UTC' : `${length(Math.abs(health.clock_ms))} ${health.clock}`],
  ]
}

/** @param {Fact[]} facts */
function drawGlance(facts) {
  const key = facts.flat().join('|')
  if ($('glance').dataset.key === key) return
  $('glance').dataset.key = key
  $('glance').replaceChildren(...facts.map(([name, value, more]) => element('div', '', element('dt', '', name), element('dd', 'value', value), element('dd', 'soft', more))))
}

/** The newest runs, or those that were known. @param {import('./types').RunShort[]} known @returns {Promise<import('./types').RunShort[]>} */
export async function newestRuns(known) {
  try {
    return (await askJson('/api/v1/runs?limit=20')).runs
  } catch (error) {
    console.info(reason(error))
    return known
  }
}
