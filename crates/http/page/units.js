// How a channel's numbers are written in the units that the reader chose.

import { decimals, number } from './format.js'

/**
 * @typedef {object} Writer
 * @property {string} unit
 * @property {number} places decimals
 * @property {(si: number) => number} to the number in the unit
 * @property {(si: number) => string} text the number as it is written
 */

/** @param {import('./types').Channel} channel @param {string} units @returns {Writer} */
export function writer(channel, units) {
  const [unit, scale, zero] = inUnits(channel, units)
  const places = decimals(channel, scale)
  const to = (/** @type {number} */ si) => si * scale + zero
  return { unit, places, to, text: (si) => number(to(si), places) }
}

/** @param {import('./types').Channel} channel @param {string} units @returns {[string, number, number]} */
function inUnits(channel, units) {
  if (units === 'si') return [channel.si_unit, 1, 0]
  if (units === 'us') return [channel.us_unit, channel.us_scale, channel.us_zero]
  return [channel.unit, channel.scale, channel.zero]
}
