// What the reader has chosen: units, zone, numbers, appearance. Kept in this browser and nowhere else.

import { clock, writeNumbers } from './format.js'

/** @typedef {'configured' | 'si' | 'us'} Units */

const DEFAULTS = { units: 'configured', zone: 'station', numbers: 'point', theme: 'auto' }
/** @typedef {keyof typeof DEFAULTS} Choice */

const chosen = { ...DEFAULTS }
/** @type {((choice: Choice) => void)[]} */ const listeners = []
let station = 'UTC'

/** What is chosen. @param {Choice} choice */
export const look = (choice) => chosen[choice]

/** @param {(choice: Choice) => void} then told what was changed, after it was */
export const onLook = (then) => listeners.push(then)

/** The station's own zone, as it says. @param {string} zone */
export function setStationZone(zone) {
  station = zone
}

/** The clock by which this reader wants times. */
export function reading() {
  const device = Intl.DateTimeFormat().resolvedOptions().timeZone
  const zone = chosen.zone === 'utc' ? 'UTC' : chosen.zone === 'device' ? device : station
  return (clocks[zone] ??= clock(zone))
}
/** @type {Record<string, ReturnType<typeof clock>>} */ const clocks = {}

/** What the recorder says for the record, with its times as this reader wants them, and without what only programs read.
 * @param {string} text */
export const timed = (text) => text.replace(/: \{".*\}/, '').replace(/\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z/g, (stamp) => reading().when(Date.parse(stamp), Date.now()))


/** Ties the controls of the page to the choices. */
export function beginLook() {
  for (const choice of /** @type {Choice[]} */ (Object.keys(DEFAULTS))) {
    const inputs = /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll(`input[name=${choice}]`))
    const kept = recall(choice, DEFAULTS[choice])
    if ([...inputs].some(({ value }) => value === kept)) chosen[choice] = kept
    for (const input of inputs) {
      input.checked = input.value === chosen[choice]
      input.addEventListener('change', () => choose(choice, input.value))
    }
    apply(choice)
  }
}

/** @param {Choice} choice @param {string} value */
function choose(choice, value) {
  chosen[choice] = value
  keep(choice, value)
  apply(choice)
  for (const tell of listeners) tell(choice)
}

/** @param {Choice} choice */
function apply(choice) {
  if (choice === 'numbers') writeNumbers(chosen.numbers === 'comma' ? ',' : '.')
  if (choice !== 'theme') return
  if (chosen.theme === 'auto') delete document.documentElement.dataset.theme
  else document.documentElement.dataset.theme = chosen.theme
}

/** @param {string} name @param {string} fallback */
export function recall(name, fallback) {
  try {
    return localStorage.getItem(name) ?? fallback
  } catch {
    return fallback
  }
}

/** @param {string} name @param {string} value */
export function keep(name, value) {
  try {
    localStorage.setItem(name, value)
  } catch {
    // A private window forgets; nothing depends on it.
  }
}
