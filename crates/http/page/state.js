// The sentence at the top: is it recording, can the numbers be trusted, and what needs a look.
// Pure: what is known goes in, words come out.

import { GRAVEST, QUALITY, list, many } from './words.js'
import { length } from './format.js'

/**
 * @typedef {object} Known
 * @property {import('./types').Link} link
 * @property {import('./types').Health | null} health
 * @property {{name: string, mark: string}[]} channels
 * @property {(at: number) => string} time writes a time of this machine as the laboratory's
 *
 * @typedef {object} Said
 * @property {'quiet' | 'mind' | 'bad'} level
 * @property {string} head two or three words
 * @property {string} text the rest
 */

/** @param {Known} known @returns {Said} */
export function state({ link, health, channels, time }) {
  if (link.state === 'connecting') return { level: 'quiet', head: 'Connecting', text: 'to the recorder…' }
  if (link.state === 'lost') return lost(link, time)
  if (health && !health.recording) {
    return { level: 'bad', head: 'Not recording:', text: `${health.trouble ?? 'the recorder does not say why'}. The values below are live, but are not being kept.` }
  }
  return trusted(channels)
}

/** @param {import('./types').Link} link @param {(at: number) => string} time @returns {Said} */
function lost(link, time) {
  const begin = link.heard ? `since ${time(link.heard)}. Every value below is old.` : '. Nothing has come since this page was opened.'
  const reason = link.note ? ` ${link.note}` : ''
  return { level: 'bad', head: 'No contact with the recorder', text: `${begin}${reason} Recording may well be going on; this page cannot tell.` }
}

/** @param {{name: string, mark: string}[]} channels @returns {Said} */
function trusted(channels) {
  const head = 'Recording.'
  if (!channels.length) return { level: 'mind', head, text: 'No channels are configured, so there is nothing to record yet.' }
  const used = channels.filter(({ mark }) => mark !== 'off')
  const bad = GRAVEST.flatMap((mark) => used.filter((channel) => channel.mark === mark))
  if (!bad.length) return { level: 'quiet', head, text: used.length === 1 ? 'The only channel is good.' : `All ${used.length} channels are good.` }
  return { level: 'mind', head, text: `${used.length - bad.length} of ${many(used.length, 'channel')} are good. ${blame(bad)}` }
}

/** Names the gravest three, and counts the rest. @param {{name: string, mark: string}[]} bad */
function blame(bad) {
  const named = bad.slice(0, bad.length > 4 ? 3 : 4).map(({ name, mark }) => `${name} (${QUALITY[mark].name.toLowerCase()})`)
  const rest = bad.length - named.length
  const items = rest ? [...named, `${rest} more`] : named
  return `${bad.length === 1 ? 'Needs a look:' : 'Need a look:'} ${list(items)}.`
}

/** What stands below the sentence, a fact each. @param {import('./types').Health} health */
export function facts(health) {
  const days = health.disk_days === null ? null : Math.floor(health.disk_days)
  const disk = days === null ? `${health.disk_free_gb} GB free on the disk` : `Room on the disk for ${many(days, 'day')}`
  const clock = health.clock === 'in step' ? 'Clock in step' : `Record’s time ${length(Math.abs(health.clock_ms))} ${health.clock}`
  return [disk, clock]
}

/** What simulation there is, or nothing. @param {{simulated: boolean}[]} channels */
export function simulation(channels) {
  const count = channels.filter((channel) => channel.simulated).length
  if (!count) return null
  if (count === channels.length) return 'No number here is a real measurement; a rig plays every device.'
  return `A rig plays the devices of ${many(count, 'channel')}; each is marked. Those numbers are no real measurements.`
}
