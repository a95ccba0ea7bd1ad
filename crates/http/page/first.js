// The first run: what is plugged in, and a configuration made of it. Once the file is there the recorder takes
// over, and its own page is at the same address.

import { Refused, askJson, reason, send } from './api.js'
import { $, element, put, table } from './dom.js'
import { ask } from './forms.js'
import { many, sentence } from './words.js'

const RENEW_MS = 1000

const EXAMPLE = `[line.exhaust]
every = "1 s"
text = { port = "/dev/serial/by-id/usb-adapter-P7", serial = "9600 8N1", delimiter = ";", fields = ["velocity", "temperature"] }

[meter.Exhaust]
velocity = { input = "exhaust.velocity", unit = "m/s" }
temperature = { input = "exhaust.temperature", unit = "°C" }

[line.bench]
every = "500 ms"
modbus-rtu = { port = "/dev/serial/by-id/usb-rs485-A1", serial = "19200 8E1" }

[module.A]
line = "bench"
unit = 1
registers = "input 0-7"
code = "int16"
count = "1 mV"

[meter.Inlet-left]
velocity = { input = "A.1", signal = "0-10 V", range = "0-20 m/s" }
temperature = { input = "A.2", signal = "0-10 V", range = "0-500 °C" }
`

/**
 * @typedef {{kind: string, why?: string, bytes?: number, serial?: string | null, example?: string, units?: {unit: number}[]}} OnLine
 * @typedef {{path: string, device: string, stable: boolean, adapter: {maker: string | null, product: string | null, serial: string | null} | null, found: OnLine}} Port
 * @typedef {{ports: Port[], tcp: unknown[], converters: {name: string | null, label: string | null, channels: {name: string, reads: string | null}[]}[], config: string}} Findings
 * @typedef {{line: number, what: string, help: string | null}} Mistake
 * @typedef {{version: string, file: string, mistakes: Mistake[], announcement: string, search: {state: string, findings: Findings | null, trouble: string | null}}} Standing
 */

const text = /** @type {HTMLTextAreaElement} */ ($('toml'))
let [announcement, shown, filled] = ['', '', '']

async function renew() {
  try {
    const told = /** @type {Standing} */ (await askJson('/api/v1/first-run'))
    document.body.dataset.link = 'live'
    show(told)
  } catch (error) {
    // The recorder has taken over, or is about to.
    if (error instanceof Refused && error.status === 404) return location.replace('/')
    document.body.dataset.link = 'lost'
    put($('text'), 'No contact with the program at present; if it has just been given its file, it is starting.')
  }
  setTimeout(() => void renew(), RENEW_MS)
}

/** @param {Standing} told */
function show(told) {
  announcement = told.announcement
  put($('text'), `There is no configuration at ${told.file}.`)
  put($('file'), told.file)
  put($('build'), `Zonda ${told.version}`)
  if (told.mistakes.length) {
    put($('text'), `The file ${told.file} has ${many(told.mistakes.length, 'mistake')}; recording begins when they are put right.`)
    showMistakes(told.mistakes)
  }
  const { state, findings, trouble } = told.search
  const isLooking = state !== 'done'
  $('progress').hidden = !isLooking
  for (const id of ['listen', 'ask']) /** @type {HTMLButtonElement} */ ($(id)).disabled = isLooking
  put($('searching'), isLooking ? (state === 'asking' ? 'Asking for devices, by read requests only…' : 'Listening at every port; nothing is sent…') : trouble ? sentence(trouble) : summary(findings))
  const key = JSON.stringify(findings)
  if (!findings || key === shown) return
  shown = key
  $('found').replaceChildren(...drawn(findings))
  fill(findings)
}

/** @param {Findings | null} findings */
function summary(findings) {
  if (!findings) return ''
  const { ports, converters } = findings
  const talking = ports.filter(({ found }) => ['text', 'modbus'].includes(found.kind)).length
  if (!ports.length && !converters.length) return 'No serial port and no converter was found. Is the adapter plugged in? A device with an address of its own is written down by hand: see the example below.'
  return `${many(ports.length, 'serial port')}, ${talking ? `${talking} with a device that was understood` : 'none with a device that speaks by itself'}; ${many(converters.length, 'converter')}.`
}

/** @param {Findings} findings @returns {Node[]} */
function drawn({ ports, converters }) {
  const rows = [
    ...ports.map(({ path, adapter, stable, found }) => [element('code', '', path), said(found), [adapter?.product, adapter?.maker, adapter?.serial && `serial number ${adapter.serial}`, !stable && 'this name may belong to another port after the next start'].filter(Boolean).join(', ')]),
    ...converters.map(({ name, label, channels }) => [element('code', '', name ?? label ?? 'a converter'), `${many(channels.length, 'input')}: ${channels.map(({ name, reads }) => `${name} reads ${reads ?? 'nothing'}`).join(', ')}`, 'read by the kernel']),
  ]
  return rows.length ? [table('What is plugged in', [['', 'Where'], ['', 'What is there'], ['', 'Adapter']], rows)] : []
}

/** @param {OnLine} found */
function said({ kind, why, bytes, serial, example, units }) {
  const at = serial ? ` at ${serial}` : ''
  const words = /** @type {Record<string, () => Node>} */ ({
    text: () => element('span', '', element('b', '', `Text lines${at}`), ', such as ', element('code', '', (example ?? '').trim())),
    modbus: () => element('span', '', element('b', '', `Modbus${at}`), `: ${units?.length === 1 ? 'unit' : 'units'} ${(units ?? []).map(({ unit }) => unit).join(', ')}`),
    noise: () => element('span', '', `Something sends (${bytes} bytes), but it is no text with numbers at any usual speed`),
    not_opened: () => element('span', '', `Not searched: ${why}`),
  })
  return words[kind]?.() ?? element('span', 'soft', 'Nothing speaks by itself')
}

/** What was found goes into the field, unless somebody has written there. @param {Findings} findings */
function fill({ config }) {
  if (text.value !== filled) return
  const isEmpty = !/^\s*[^#\s]/m.test(config)
  text.value = filled = head() + (isEmpty ? `# Nothing was found that could be filled in. An example stands below.\n${config}` : config)
}

/** The laboratory's zone is that of this device, until somebody says otherwise. */
function head() {
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone || 'UTC'
  return `[station]\nname = "Oven"\ntime_zone = "${zone}"\ndata = "data"\n\n`
}

/** @param {Mistake[]} mistakes */
function showMistakes(mistakes) {
  const rows = mistakes.map(({ line, what, help }) => [`Line ${line}`, sentence(what), help ? sentence(help) : ''])
  $('mistakes').replaceChildren(...(rows.length ? [table('Mistakes', [['', 'Where'], ['', 'What is wrong'], ['', 'What would be right']], rows)] : []))
}

/** @param {boolean} check only looked through */
async function take(check) {
  put($('wrong'), '')
  try {
    const { mistakes, saved } = /** @type {{mistakes: Mistake[], saved: string | null}} */ (await send('POST', '/api/v1/first-run/configuration', { text: text.value, check }))
    showMistakes(mistakes)
    put($('verdict'), mistakes.length ? `${many(mistakes.length, 'mistake')} to put right; nothing was saved.` : saved ? `Saved as ${saved}. The recorder starts…` : 'No mistakes.')
  } catch (error) {
    put($('wrong'), reason(error))
  }
}

/** @param {boolean} asks */
async function search(asks) {
  await send('POST', '/api/v1/first-run/search', { ask: asks }).catch((error) => put($('wrong'), reason(error)))
}

$('listen').addEventListener('click', () => void search(false))
$('ask').addEventListener('click', () => void ask({
  title: 'Ask for devices?', confirm: 'Send the requests', fields: [], act: () => search(true),
  words: `${announcement.replace('\nCtrl-C stops it at any time.', '')}\n\nA device that is no Modbus device may take a request for a command: do not let unknown devices be asked while they do something that matters.`,
}))
$('check').addEventListener('click', () => void take(true))
$('save').addEventListener('click', () => void take(false))
put($('example'), EXAMPLE)
$('take').addEventListener('click', () => {
  text.value = head() + EXAMPLE
  text.scrollIntoView({ block: 'center' })
  text.focus()
})
void renew()
