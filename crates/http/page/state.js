// The sentence at the top: is it recording, can the numbers be trusted, and what needs a look.
// Pure: what is known goes in, words come out.

import { GRAVEST, PREDICATE, list, many } from './words.js'

/** Faults that the sentence names; the table has all. */
const GROUPS_MAX = 3

/**
 * @typedef {{name: string, mark: string, why: string}} Judged
 *
 * @typedef {object} Known
 * @property {import('./types').Link} link
 * @property {import('./types').Health | null} health
 * @property {Judged[]} channels
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
  const begin = link.heard ? `since ${time(link.heard)}. Every value below is old.` : 'since this page was opened.'
  const reason = link.note || 'Recording may well be going on; this page cannot tell.'
  return { level: 'bad', head: 'No contact with the recorder', text: `${begin} ${reason}` }
}

/** @param {Judged[]} channels @returns {Said} */
function trusted(channels) {
  const head = 'Recording.'
  if (!channels.length) return { level: 'mind', head, text: 'No channels are configured, so there is nothing to record yet.' }
  const used = channels.filter(({ mark }) => mark !== 'off')
  const bad = used.filter(({ mark }) => mark !== 'ok')
  if (!bad.length) return { level: 'quiet', head, text: used.length === 1 ? 'The only channel is good.' : `All ${used.length} channels are good.` }
  const good = bad.length === used.length ? 'None' : used.length - bad.length
  return { level: 'mind', head, text: `${good} of ${many(used.length, 'channel')} ${good === 1 ? 'is' : 'are'} good. ${blame(bad)}` }
}

/** Names what is wrong, the gravest first. @param {Judged[]} bad */
function blame(bad) {
  const all = groups(bad)
  const shown = all.slice(0, all.length > GROUPS_MAX ? GROUPS_MAX - 1 : GROUPS_MAX)
  const rest = all.slice(shown.length).flat().length
  return `${[...shown.map(sentenceOf), ...(rest ? [`${rest} more need a look`] : [])].join('; ')}.`
}

/** Channels of one fault and one cause together, the gravest first. @param {Judged[]} bad */
export function groups(bad) {
  /** @type {Map<string, Judged[]>} */ const groups = new Map()
  for (const mark of GRAVEST) {
    for (const channel of bad.filter((each) => each.mark === mark)) {
      const key = `${mark} ${cause(channel)}`
      groups.set(key, [...(groups.get(key) ?? []), channel])
    }
  }
  return [...groups.values()]
}

/** @param {Judged[]} group */
export function sentenceOf(group) {
  const who = group.length > 2 ? `${group.length} channels, such as ${group[0].name},` : list(group.map(({ name }) => name))
  const what = PREDICATE[group[0].mark]?.[group.length === 1 ? 0 : 1] ?? `need a look`
  const reason = cause(group[0])
  return `${who} ${what}${reason && !what.endsWith(reason) ? ` (${reason})` : ''}`
}

/** The cause without its detail, which stands in the table. @param {Judged} channel */
const cause = ({ why }) => why.split(':')[0]

/** What simulation there is, or nothing. @param {{simulated: boolean}[]} channels */
export function simulation(channels) {
  const count = channels.filter((channel) => channel.simulated).length
  if (!count) return null
  if (count === channels.length) return 'No number here is a real measurement; a rig plays every device.'
  return `A rig plays the devices of ${many(count, 'channel')}; each is marked. Those numbers are no real measurements.`
}
