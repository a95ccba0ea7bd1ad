// Asking an evaluation of a run: first which, then what it needs to know. What is left empty has the default
// that docs/evaluations.md states; what makes no sense is refused by the recorder in a sentence.

import { askJson, send } from './api.js'
import { ask, signature } from './forms.js'

/** @typedef {{name: string, label: string, hint?: string, value?: string, needed?: boolean, many?: boolean, from?: 'channels' | 'layouts'}} Key */

/** @type {Key[]} */
const STRETCH = [
  { name: 'from', label: 'From', hint: 'So long after the run began, such as 30 min; with - before its end' },
  { name: 'to', label: 'To', hint: 'Such as -10 min; the end of the run where it is left empty' },
]
/** @type {Key} */ const CHANNELS = { name: 'channels', label: 'Channels', hint: 'Separated by commas; those of the run where it is left empty', many: true }
/** @type {Key} */ const LAYOUT = { name: 'layout', label: 'Layout', from: 'layouts' }
/** @type {Key} */ const CHANNEL = { name: 'channel', label: 'Channel', from: 'channels', needed: true }
/** @type {Key[]} */ const TARGET = [{ name: 'setpoint', label: 'Setpoint', hint: 'Such as 180 °C', needed: true }, { name: 'tolerance', label: 'How far from it is still good', hint: 'Such as 5 K', needed: true }]
/** @type {Key} */ const PRESSURE = { name: 'pressure', label: 'Absolute pressure in the duct', hint: 'A channel, or an amount such as 98.2 kPa' }

/** What can be asked, each in a few words, with what it needs to know. */
export const KINDS = /** @type {Record<string, {words: string, keys: Key[]}>} */ ({
  mean: { words: 'Mean of each channel', keys: [CHANNELS, { name: 'within', label: 'Limits of the mean', hint: 'Such as 195-205 °C' }, ...STRETCH] },
  windows: { words: 'Means of equal windows', keys: [{ name: 'length', label: 'How long each window is', value: '5 min', needed: true }, { name: 'every', label: 'How often one begins', hint: 'One after the other where it is left empty' }, CHANNELS, ...STRETCH] },
  uniformity: { words: 'Uniformity of a zone', keys: [LAYOUT, ...TARGET.map((key) => ({ ...key, needed: false })), { name: 'since', label: 'From when on', hint: 'begin, steady or soaked', value: 'soaked' }, ...STRETCH] },
  transient: { words: 'Heating up, overshoot, settling', keys: [CHANNEL, ...TARGET, { name: 'event', label: 'A disturbance to recover from', hint: 'When, such as 3 h 40 min after the beginning' }, ...STRETCH] },
  steadiness: { words: 'Since when everything is steady', keys: [CHANNELS, { name: 'negligible', label: 'A movement that does not matter', hint: 'Such as 0.5 K' }, { name: 'window', label: 'How long nothing may move', value: '10 min' }, ...STRETCH] },
  agreement: { words: 'Agreement of two channels', keys: [CHANNEL, { name: 'against', label: 'The channel that should say the same', from: 'channels', needed: true }, { name: 'within', label: 'Greatest difference', hint: 'Such as 0.1 m/s' }, ...STRETCH] },
  traverse: { words: 'Flow through a duct', keys: [LAYOUT, PRESSURE, { name: 'temperature', label: 'Temperature in the duct', hint: 'A channel or an amount, where its points read none' }, { name: 'humidity', label: 'Humidity', hint: 'Such as 8 g/kg or dew point 12 °C; dry where it is left empty' }, ...STRETCH] },
  heat: { words: 'Heat carried by exhaust air', keys: [LAYOUT, { ...PRESSURE, needed: true }, { name: 'inlet', label: 'Temperature at which the air came in', hint: 'A channel or an amount', needed: true }, ...STRETCH] },
})

/** Asks which, then asks it of the run; true once it is asked. @param {{id: number, name: string, channels: string[]}} run */
export async function askEvaluation(run) {
  let kind = ''
  const isChosen = await ask({
    title: `Evaluate ${run.name}`, words: 'An evaluation reads the record and changes nothing. It can be asked while the run goes on.', confirm: 'Next',
    fields: [{ name: 'kind', label: 'What is to be found', choices: Object.entries(KINDS).map(([name, { words }]) => [name, words]), needed: true }],
    act: async (values) => { kind = values.kind },
  })
  if (!isChosen) return false
  const layouts = await askJson('/api/v1/layouts').then((told) => told.layouts.map(({ name }) => name), () => [])
  const choices = { channels: run.channels, layouts }
  const { words, keys } = KINDS[kind]
  return ask({
    title: words, confirm: 'Evaluate',
    fields: [
      ...keys.map(({ from, ...key }) => (from ? { ...key, choices: choices[from].map((/** @type {string} */ name) => /** @type {[string, string]} */ ([name, name])) } : key)),
      signature('Your name'),
    ],
    act: ({ by, ...values }) => send('POST', `/api/v1/runs/${run.id}/evaluations`, { kind, parameters: parameters(keys, values), by }),
  })
}

/** What was filled in, as the recorder takes it. @param {Key[]} keys @param {Record<string, string>} values */
export function parameters(keys, values) {
  const filled = keys.filter(({ name }) => values[name])
  return Object.fromEntries(filled.map(({ name, many }) => [name, many ? values[name].split(',').map((part) => part.trim()).filter(Boolean) : values[name]]))
}
