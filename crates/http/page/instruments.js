// Instruments: is everything there that a night needs; meters with probes, certificates and envelopes;
// loop checks; agreement of meters that are heard both ways; corrections.

import { dots, picture as pictureOfAgreement } from './agreement.js'
import { askJson, reason, send } from './api.js'
import { $, button, element, facts, swap, table } from './dom.js'
import { isInside, picture } from './envelope.js'
import { known, number } from './format.js'
import { ask, signature } from './forms.js'
import { look, reading } from './look.js'
import { LoopChecks } from './loopchecks.js'
import { writer } from './units.js'
import { sentence, some } from './words.js'

/** What a finding is worth, as a word and a class. */
const FINDING = /** @type {Record<string, [string, string]>} */ ({ fine: ['Fine', 'ok'], look: ['Look', 'mind'], wrong: ['Wrong', 'bad'] })

const RENEW_MS = 5000

export class Instruments {
  #isShown = false
  #timer = 0

  constructor() {
    this.loops = new LoopChecks($('loop-checks'))
  }

  /** @param {import('./board.js').Board | null} board */
  begin(board) {
    this.board = board
    if (this.#isShown) this.show()
  }

  show() {
    this.hide()
    this.#isShown = true
    void fill($('prestart'), () => this.#prestart())
    this.#renew()
    this.#timer = window.setInterval(() => { if (!document.hidden) this.#renew() }, RENEW_MS)
    void this.loops.show(this.board?.channels ?? [])
  }

  /** What goes on by itself: where the probes stand, how the pairs agree, how far a correction is. */
  #renew() {
    for (const [id, part] of /** @type {[string, () => Promise<Node[]>][]} */ ([
      ['meters', () => this.#meters()], ['agreement', () => this.#agreement()], ['corrections', () => this.#corrections()],
    ])) void fill($(id), part)
  }

  hide() {
    this.#isShown = false
    clearInterval(this.#timer)
    this.loops.hide()
  }

  async #prestart() {
    const { state, findings, at } = await askJson('/api/v1/prestart')
    const bad = findings.filter(({ state }) => state !== 'fine')
    const words = state === 'fine' ? 'Everything is there for a night of 12 hours.' : `${bad.length} of ${findings.length} findings need a look before a night of 12 hours.`
    const rows = (/** @type {import('./types').Finding[]} */ found) => alike(found).map((all) => {
      const [{ aspect, state, what, todo }] = all
      return [element('span', `word ${FINDING[state][1]}`, FINDING[state][0]), sentence(aspect), some(all.map(({ subject }) => subject), 3), sentence(what), todo ? sentence(todo) : '']
    })
    const heads = /** @type {[string, string][]} */ ([['', 'Finding'], ['', 'About'], ['', 'Which'], ['', 'What is the case'], ['', 'What to do']])
    const all = element('details', '', element('summary', '', `All ${findings.length} findings`), table('All findings', heads, rows(findings)))
    return [
      element('p', '', words, ' ', element('span', 'soft', reading().time(Date.parse(at))), ' ', button('Check again', () => void fill($('prestart'), () => this.#prestart()))),
      ...(bad.length ? [table('Findings', heads, rows(bad))] : []),
      all,
    ]
  }

  async #meters() {
    const { meters, envelopes, certificates } = await askJson('/api/v1/meters')
    if (!meters.length) return [element('p', 'soft', 'No meter is configured.')]
    const rows = meters.map((meter) => [
      element('b', '', meter.name), meter.serial ?? '', probe(meter),
      [...new Set(meter.outputs.map((output) => output.way))].join(', '),
      [...new Set(meter.outputs.map((output) => output.certificate).filter(Boolean))].join(', '),
    ])
    return [
      table('Meters', [['', 'Meter'], ['', 'Serial number'], ['', 'Probe'], ['', 'Heard as'], ['', 'Certificate']], rows),
      ...envelopes.flatMap((envelope) => this.#envelope(envelope, meters)),
      ...certificates.map(certificateOf),
    ]
  }

  /** @param {import('./envelope.js').Envelope} envelope @param {import('./types').Meter[]} meters */
  #envelope(envelope, meters) {
    const board = this.board
    if (!board) return []
    const [velocity, temperature] = ['velocity', 'temperature'].map((kind) => board.channels.find((channel) => channel.kind === kind))
    if (!velocity || !temperature) return []
    const writers = { velocity: writer(velocity, look('units')), temperature: writer(temperature, look('units')) }
    const points = meters.filter(({ probe }) => probe?.envelope === envelope.name).flatMap((meter) => {
      const [v, t] = ['velocity', 'temperature'].map((kind) => this.#shown(meter, kind))
      return Number.isFinite(v) && Number.isFinite(t) ? [{ name: meter.name, velocity: v, temperature: t }] : []
    })
    const outside = points.filter((point) => !isInside(envelope, point))
    const words = points.length ? (outside.length ? `Outside at present: ${outside.map(({ name }) => name).join(', ')}.` : `All ${points.length} probes are inside at present.`) : 'No probe with this envelope reads at present.'
    return [element('h3', '', `Envelope ${envelope.name}`), element('p', 'soft', `Where its probes can be believed, by temperature and velocity. ${words}`), picture(envelope, points, writers)]
  }

  /** What a meter reads. @param {import('./types').Meter} meter @param {string} kind */
  #shown(meter, kind) {
    const name = meter.outputs.find((output) => output.quantity === kind)?.channel
    const index = this.board?.channels.findIndex(({ id }) => id === name) ?? -1
    return index < 0 ? NaN : this.board?.shown(index) ?? NaN
  }

  async #agreement() {
    const { pairs } = await askJson('/api/v1/agreement')
    if (!pairs.length) return [element('p', 'soft', 'No meter is heard both by its analog output and by its text line.')]
    const standing = /** @type {Record<string, [string, string]>} */ ({ agree: ['Agree', 'ok'], apart: ['Apart', 'bad'], unknown: ['Not known yet', 'ok'] })
    const rows = pairs.map((pair) => [
      element('b', '', `${pair.meter}, ${pair.quantity}`),
      element('span', `word ${standing[pair.standing]?.[1] ?? 'ok'}`, standing[pair.standing]?.[0] ?? pair.standing),
      value(pair.analog_mean, pair.unit), value(pair.text_mean, pair.unit),
      pair.difference ? `${known(pair.difference.value, 2 * pair.difference.u)} ${pair.unit} (k = 2)` : '',
      pair.line ? `slope ${known(pair.line.slope.value, 2 * pair.line.slope.u)}` : '',
      pair.words ?? '',
    ])
    const plots = await Promise.all(pairs.map((pair) => this.#plot(pair)))
    return [element('p', 'soft', 'The last five minutes of meters that say the same twice. On the dashed line both say the same.'), element('div', 'plots', ...plots.flat()), table('Agreement', [['', 'Meter'], ['', 'Standing'], ['', 'Analog'], ['', 'Text'], ['', 'Difference'], ['', 'Analog against text'], ['', 'What may be wrong']], rows)]
  }

  /** The picture of a pair; none where too little has come to draw one. @param {import('./types').AgreementPair} pair @returns {Promise<Node[]>} */
  async #plot(pair) {
    const channel = this.board?.channels.find(({ id }) => id === pair.analog)
    const found = channel && this.board ? await dots(pair, this.board.now()).catch(() => []) : []
    if (!channel || found.length < 2) return []
    return [element('figure', '', pictureOfAgreement(pair, found, writer(channel, look('units'))), element('figcaption', 'soft', `${pair.meter}, ${pair.quantity}: ${pair.standing === 'apart' ? 'apart' : pair.standing === 'agree' ? 'agree' : 'not known yet'}`))]
  }

  async #corrections() {
    const { corrections } = await askJson('/api/v1/corrections')
    const clock = reading()
    const when = (/** @type {string} */ at) => clock.when(Date.parse(at), Date.now())
    const rows = corrections.map((row) => [
      element('b', '', row.undoes ? `No. ${row.id}, takes back no. ${row.undoes}` : `No. ${row.id}`), row.channel, `${when(row.from)} to ${when(row.to)}`,
      sentence(row.state) + (row.state === 'under_way' ? `, ${number(row.share * 100, 0)} %` : ''), `${row.reason} (${row.by})`,
      row.state === 'done' && !row.undoes ? button('Take back', () => void this.#undo(row), 'operates') : '',
    ])
    return [
      element('p', '', element('span', 'soft', 'A range that was set wrong is put right over a stretch, from the device’s own codes; nothing is lost, and it can be taken back exactly. '), button('Correct a range', () => void this.#correct(), 'operates')),
      ...(rows.length ? [table('Corrections', [['', 'Correction'], ['', 'Channel'], ['', 'Stretch'], ['', 'State'], ['', 'Why'], ['', '']], rows)] : [element('p', 'soft', 'There is none.')]),
    ]
  }

  async #correct() {
    const channels = (this.board?.channels ?? []).map(({ id }) => /** @type {[string, string]} */ ([id, id]))
    const now = this.board?.now() ?? Date.now()
    const stamp = (/** @type {number} */ at) => new Date(at).toISOString().slice(0, 19) + 'Z'
    /** @type {Record<string, string>} */ let asked = {}
    /** @type {import('./types').Changes[]} */ let preview = []
    const isSeen = await ask({
      title: 'Correct a range', words: 'First only what would change is worked out.', confirm: 'Show what would change',
      fields: [
        { name: 'channel', label: 'Channel', choices: channels, needed: true },
        { name: 'range', label: 'The range that the signal really stands for', hint: 'such as 0-100 m/s', needed: true },
        { name: 'from', label: 'From', value: stamp(now - 3_600_000), needed: true, hint: 'UTC' },
        { name: 'to', label: 'To, not included', value: stamp(now), needed: true, hint: 'UTC' },
        { name: 'reason', label: 'Why', needed: true },
        signature('Your name'),
      ],
      act: async (values) => {
        asked = values
        preview = /** @type {import('./types').CorrectionAnswer} */ (await send('POST', '/api/v1/corrections?preview=true', values)).preview ?? []
      },
    })
    if (!isSeen) return
    const isDone = await ask({ title: `Correct ${asked.channel}?`, words: changes(preview), confirm: 'Correct it', isGrave: true, fields: [], act: () => send('POST', '/api/v1/corrections', asked) })
    if (isDone) void fill($('corrections'), () => this.#corrections())
  }

  /** @param {{id: number, channel: string}} row */
  async #undo(row) {
    const isDone = await ask({
      title: `Take back correction no. ${row.id} of ${row.channel}?`, words: 'The values become exactly what they were.', confirm: 'Take it back', isGrave: true,
      fields: [{ name: 'reason', label: 'Why', needed: true }, signature('Your name')],
      act: (values) => send('POST', `/api/v1/corrections/${row.id}/undo`, values),
    })
    if (isDone) void fill($('corrections'), () => this.#corrections())
  }
}

/** @param {HTMLElement} place @param {() => Promise<Node[]>} part */
async function fill(place, part) {
  try {
    swap(place, ...(await part()))
  } catch (error) {
    swap(place, element('p', 'soft', `This could not be asked for: ${reason(error)}`))
  }
}

/** Findings that say the same of several things, together. @param {import('./types').Finding[]} found */
function alike(found) {
  /** @type {Map<string, import('./types').Finding[]>} */ const kinds = new Map()
  for (const finding of found) {
    const key = [finding.state, finding.aspect, finding.what, finding.todo].join('|')
    kinds.set(key, [...(kinds.get(key) ?? []), finding])
  }
  return [...kinds.values()]
}

/** @param {number | null} number_ @param {string} unit */
const value = (number_, unit) => (number_ === null ? '' : `${number(number_, 2)}\u00a0${unit}`)

/** @param {import('./types').Meter} meter */
function probe({ probe, probe_number: carried, wrong_probe: isWrong }) {
  const said = [probe?.serial, probe?.number && `no. ${probe.number}`, probe?.envelope].filter(Boolean).join(', ')
  if (isWrong) return element('span', 'word bad', `${said}: the meter holds the characteristics of probe ${carried}`)
  return said || (carried ? `holds probe no. ${carried}` : '')
}

/** @param {import('./types').Certificate} certificate */
function certificateOf(certificate) {
  const { number: id, name, laboratory, date, due, standing, quantity, unit, method, points } = certificate
  const rows = points.map((point) => [number(point.reference, 2), number(point.reading, 2), number(point.reading - point.reference, 3), `${number(point.uncertainty, 3)} (k = ${number(point.k, 2)})`])
  return element('details', 'certificate',
    element('summary', '', `Certificate ${name}: ${quantity}, ${laboratory}, due ${due}, `, element('span', `word ${standing === 'in force' ? 'ok' : 'bad'}`, standing)),
    facts([['Number', id], ['Date', date], ['Put right by', method]]),
    table(`Points of ${name}`, [['', `Reference, ${unit}`], ['', `Reading, ${unit}`], ['', `Error, ${unit}`], ['', `Uncertainty, ${unit}`]], rows))
}

/** What a correction would change, in a sentence each. @param {import('./types').Changes[]} preview */
function changes(preview) {
  return preview.map(({ channel, samples, changed, before, after, unit }) => `${channel}: ${changed} of ${samples} samples would change; mean ${value(before.mean, unit) || 'none'} to ${value(after.mean, unit) || 'none'}, good ${before.good} to ${after.good}.`).join(' ')
}
