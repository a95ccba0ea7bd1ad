// Station: what it is, how its store and clock do, its events, and what the file on disk says.

import { askJson, reason } from './api.js'
import { $, element, facts, put, table } from './dom.js'
import { bytes, count, length, number } from './format.js'
import { reading, timed } from './look.js'
import { many, sentence } from './words.js'

const EVENTS = 40

/** Asks and draws. @param {import('./types').Health | null} health */
export async function showStation(health) {
  try {
    const [station, { events }, configuration] = await Promise.all([askJson('/api/v1/station'), askJson(`/api/v1/events?limit=${EVENTS}`), askJson('/api/v1/configuration')])
    $('station-facts').replaceChildren(...sections(station, health), ...configured(configuration))
    drawEvents(events)
  } catch (error) {
    $('station-facts').replaceChildren(element('p', 'soft', `The station could not be asked: ${reason(error)} What is below may be old.`))
  }
}

/** @param {import('./types').Station} station @param {import('./types').Health | null} health */
function sections(station, health) {
  const { recording, size } = station
  const clock = reading()
  const days = health?.disk_days ?? null
  return [
    element('h2', '', 'Store'),
    facts([
      ['Record', bytes(size.record + size.log)],
      ['Grows', days ? `${bytes(size.free / days)} a day` : null],
      ['Free on the disk', `${bytes(size.free)} of ${bytes(size.disk)}`],
      ['Full in', days === null ? null : many(Math.floor(days), 'day')],
      ['Safe on the disk up to', recording.committed ? clock.when(Date.parse(recording.committed), Date.now()) : 'nothing yet'],
      ['Last commit took', recording.commits ? `${number(recording.commit_ms, 1)} ms` : null],
      ['Samples since the start', count(recording.samples)],
      ['Waiting in memory', count(recording.held)],
      ['Samples lost', count(recording.lost)],
    ]),
    element('h2', '', 'Station'),
    facts([
      ['Name', station.name],
      ['Version', station.version],
      ['Channels', count(station.channels)],
      ['Clock', health ? (health.clock === 'in step' ? 'In step with UTC' : `${length(Math.abs(health.clock_ms))} ${health.clock}`) : null],
      ['Time zone', station.time_zone],
    ]),
  ]
}

/** The file on the disk against what is in force. @param {import('./types').Configuration} told */
function configured({ in_force: hash, file, standing, mistakes }) {
  const words = /** @type {Record<string, [string, string]>} */ ({
    same: ['The file on the disk is what is in force.', 'ok'],
    changed: ['The file on the disk has changed; it will be in force from the next start on.', 'mind'],
    wrong: ['The file on the disk has mistakes: a start would be refused.', 'bad'],
    gone: ['The file is not there any more: a start would be refused.', 'bad'],
  })
  const [said, name] = words[standing ?? ''] ?? ['It came from no file.', 'ok']
  const rows = mistakes.map(({ line, what, help }) => [`Line ${line}`, sentence(what), help ? sentence(help) : ''])
  return [
    element('h2', '', 'Configuration'),
    element('p', '', element('span', `word ${name}`, said)),
    facts([['Revision in force', element('code', '', hash.slice(0, 16))], ['File', file && element('code', '', file)]]),
    ...(rows.length ? [table('What a check finds in the file', [['', 'Where'], ['', 'What is wrong'], ['', 'What would be right']], rows)] : []),
  ]
}

/** @param {import('./types').Event[]} events */
function drawEvents(events) {
  const clock = reading()
  const items = events.map(({ at, severity, text }) => {
    const words = element('span', 'short', severity === 'info' ? '' : element('b', `word ${severity === 'alarm' ? 'bad' : 'mind'}`, `${sentence(severity)}. `), sentence(timed(text)))
    return element('li', '', element('time', '', clock.when(Date.parse(at), Date.now())), words)
  })
  $('events').replaceChildren(...items)
  put($('events-note'), events.length ? `The latest ${events.length}.` : 'Nothing has happened yet.')
}
