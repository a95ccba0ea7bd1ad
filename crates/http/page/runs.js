// Runs: the list, one of them with all that is known of it, and what can be done with it.

import { askJson, reason, send } from './api.js'
import { askEvaluation } from './asking.js'
import { $, button, element, facts, swap, table } from './dom.js'
import { downloads } from './downloads.js'
import { results } from './results.js'
import { count, length } from './format.js'
import { ask, signature } from './forms.js'
import { reading, timed } from './look.js'
import { Traverse } from './traverse.js'
import { RUN, list, sentence, told } from './words.js'

/** How often a run that goes on is asked for anew, ms. */
const RENEW_MS = 5000

export class Runs {
  #id = 0
  #timer = 0
  #shown = ''
  #isGuiding = false
  /** @type {Traverse | null} */ #traverse = null
  /** @type {{key: string, list: HTMLElement} | null} */ #files = null
  /** @type {import('./board.js').Board | null} */ #board = null

  /** @param {(part: string) => void} goTo */
  constructor(goTo) {
    this.goTo = goTo
  }

  /** @param {import('./board.js').Board} board */
  begin(board) {
    this.#board = board
    if (this.#traverse) this.#traverse.board = board
  }

  /** @param {URLSearchParams} asked `id` names one run; without it all are listed. `guide` leads through its traverse */
  show(asked) {
    this.hide()
    this.#id = Number(asked.get('id')) || 0
    this.#isGuiding = asked.has('guide')
    this.#shown = ''
    this.#timer = window.setInterval(() => { if (!document.hidden) void this.renew() }, RENEW_MS)
    void this.renew()
  }

  hide() {
    clearInterval(this.#timer)
    this.#traverse?.end()
    this.#traverse = null
  }

  async renew() {
    const id = this.#id
    try {
      if (!id) {
        const { runs } = await askJson('/api/v1/runs?limit=100')
        return this.#draw(id, runs, () => this.#all(runs))
      }
      const run = await askJson(`/api/v1/runs/${id}`)
      if (this.#isGuiding) return this.#guide(id, run)
      const evaluations = await askJson(`/api/v1/runs/${id}/evaluations?wait_s=0`)
      this.#draw(id, [run, evaluations], () => this.#one(run, evaluations))
    } catch (error) {
      if (!this.#shown) $('runs').replaceChildren(element('p', 'soft', `The runs could not be asked for: ${reason(error)}`))
    }
  }

  /** Draws what was told, if it is still asked for and not there yet. @param {number} id @param {unknown} told @param {() => Node[]} drawn */
  #draw(id, told, drawn) {
    const key = JSON.stringify([told, reading().offset(Date.now())])
    if (id !== this.#id || this.#isGuiding || key === this.#shown) return
    this.#shown = key
    swap($('runs'), ...drawn())
  }

  /** The traverse alone, since it is read at arm's length. @param {number} id @param {Run} run */
  #guide(id, run) {
    if (this.#traverse || id !== this.#id) return
    const back = element('a', '', `Run ${run.name}`)
    back.href = `#runs?id=${id}`
    const place = element('div')
    $('runs').replaceChildren(element('p', '', back), element('h2', '', 'Traverse'), place)
    if (document.activeElement === document.body) $('view').focus({ preventScroll: true })
    this.#traverse = new Traverse(place, run, this.#board)
  }

  // ---- the list ---------------------------------------------------------------------------------

  /** @param {Run[]} runs */
  #all(runs) {
    const bar = element('div', 'bar', element('h2', '', 'Runs'), button('Start a run', () => void this.#start(), 'main operates'))
    const words = element('p', 'soft', 'A run is a named stretch of the record, to be evaluated and reported. The recorder records with or without one.')
    if (!runs.length) return [bar, words, element('p', '', 'There is no run yet.')]
    const clock = reading()
    const rows = runs.map((run) => [
      link(run),
      element('span', `word ${run.state === 'running' ? 'fine' : run.state === 'missed' ? 'mind' : 'ok'}`, RUN[run.state] ?? sentence(run.state)),
      run.since ? clock.when(Date.parse(run.since), Date.now()) : run.start,
      lasting(run),
      run.purpose ?? '',
      run.operator ?? '',
    ])
    return [bar, words, table('Runs', [['', 'Run'], ['', 'State'], ['', 'Began'], ['', 'Lasted'], ['', 'Purpose'], ['', 'Operator']], rows)]
  }

  async #start() {
    const [templates, layouts] = await Promise.all([askJson('/api/v1/templates').then((told) => told.templates, () => []), askJson('/api/v1/layouts').then((told) => told.layouts, () => [])])
    const choices = /** @type {[string, string][]} */ ([['', 'None'], ...templates.map(({ name }) => [name, name])])
    let id = 0
    const isDone = await ask({
      title: 'Start a run',
      words: 'Recording goes on whatever a run does. What is left empty comes from the template, if one is chosen; so do the evaluations, and more can be asked at any time.',
      confirm: 'Start',
      fields: [
        ...(templates.length ? [{ name: 'template', label: 'Template', choices, change: fill(templates) }] : []),
        { name: 'name', label: 'Name', hint: 'Letters, digits, - and _. With a template its name and the time by default.', needed: !templates.length },
        { name: 'start', label: 'Begins', value: 'now', hint: 'now, at 2026-11-25T22:00:00Z, or when Z1.temperature rises above 180 °C for 5 min' },
        { name: 'end', label: 'Ends', value: 'by hand', hint: 'by hand, after 8 h, at a time, or when a condition comes true' },
        { name: 'purpose', label: 'Purpose' },
        { name: 'object', label: 'What is tested' },
        { name: 'operator', label: 'Who sees to it' },
        { name: 'ambient', label: 'Conditions around', hint: 'such as 22 °C, 1012 hPa, doors of the hall shut' },
        ...(layouts.length ? [{ name: 'layout', label: 'Layout', hint: 'the points that its evaluations are of', choices: /** @type {[string, string][]} */ ([['', 'None'], ...layouts.map(({ name }) => [name, name])]) }] : []),
        signature('Your name'),
      ],
      act: async (values) => {
        const body = Object.fromEntries(Object.entries(values).filter(([, value]) => value))
        id = /** @type {Run} */ (await send('POST', '/api/v1/runs', body)).id
      },
    })
    if (isDone) this.goTo(`runs?id=${id}`)
  }

  // ---- one run ----------------------------------------------------------------------------------

  /** @param {WholeRun} run @param {{evaluations: import('./types').Evaluation[]}} evaluations */
  #one(run, evaluations) {
    const clock = reading()
    const when = (/** @type {string | null} */ at) => (at ? `${clock.when(Date.parse(at), Date.now())} ${clock.offset(Date.parse(at))}` : null)
    const back = element('a', '', 'All runs')
    back.href = '#runs'
    const lasts = element('span', 'lasting', lasting(run))
    return [
      element('p', '', back),
      element('div', 'bar', element('h2', '', run.name, ' ', element('span', `word ${run.state === 'running' ? 'fine' : 'ok'}`, RUN[run.state] ?? run.state)), ...this.#acts(run)),
      ...run.remarks.map((remark) => element('p', 'note', told(timed(remark)))),
      facts([
        run.since ? ['Began', when(run.since)] : ['Begins', run.start], run.until ? ['Ended', when(run.until)] : ['Ends', run.end], ['Lasted', lasts],
        ['Purpose', run.purpose], ['What is tested', run.object], ['Who sees to it', run.operator], ['Conditions around', run.ambient],
        ['Layout', run.layout], ['Template', run.template], ['Samples', run.samples === null ? null : count(run.samples)],
        ['Channels', run.channels.length === this.#board?.channels.length ? `All ${run.channels.length}` : run.channels.length > 4 ? `${run.channels.length}, such as ${run.channels[0]}` : list(run.channels)],
      ]),
      element('div', 'bar part', element('h3', '', 'Results'), ...(run.since && run.state !== 'discarded' ? [button('Ask an evaluation', () => void this.#evaluate(run), 'operates')] : [])),
      ...results(evaluations.evaluations),
      ...(run.since ? [element('h3', '', 'Take along'), this.#takeAlong(run)] : []),
      element('h3', '', 'Notes'), ...notes(run, when),
      element('h3', '', 'What happened'),
      element('ul', '', ...run.steps.map((step) => element('li', '', element('span', 'soft', `${when(step.at)} `), sentence(step.step), step.by ? ` by ${step.by}` : '', step.text ? `: ${timed(step.text)}` : ''))),
      ...(run.loop_checks.length ? [element('h3', '', 'Loop checks in force'), element('ul', '', ...run.loop_checks.map((check) => element('li', '', `${check.channel}: ${check.passed ? 'passed' : 'failed'}, ${when(check.at)}`)))] : []),
    ]
  }

  /** The files stay the same elements while a run goes on, since one may be under way. @param {Run} run */
  #takeAlong(run) {
    const key = `${run.id} ${run.state}`
    if (this.#files?.key !== key) this.#files = { key, list: takeAlong(run) }
    return this.#files.list
  }

  /** What can be done with a run. @param {Run} run */
  #acts(run) {
    const isGoing = ['running', 'waiting', 'planned'].includes(run.state)
    const chart = element('a', 'button', 'Over time')
    const [from, to] = [run.since ? Date.parse(run.since) : 0, run.until ? Date.parse(run.until) : Date.now()]
    chart.href = run.until ? `#over-time?from=${from}&to=${to}&ch=${run.channels.slice(0, 4).join(',')}` : `#over-time?span=${Math.max(60, Math.ceil((to - from) / 1000))}&ch=${run.channels.slice(0, 4).join(',')}`
    const guide = element('a', 'button', 'Traverse')
    guide.href = `#runs?id=${run.id}&guide`
    return [
      ...(run.since ? [chart, guide] : []),
      ...(run.state === 'discarded' ? [] : [button('Add a note', () => void this.#note(run), 'operates')]),
      ...(isGoing ? [button(run.state === 'running' ? 'Stop' : 'Call off', () => void this.#stop(run), 'grave operates')] : []),
      ...(isGoing || run.state === 'discarded' ? [] : [button('Discard', () => void this.#discard(run), 'grave operates')]),
    ]
  }

  /** @param {Run} run */
  async #note(run) {
    const isDone = await ask({
      title: `Note to ${run.name}`, words: 'A note is never edited; add another one to put it right.', confirm: 'Add',
      fields: [{ name: 'text', label: 'Note', needed: true, long: true }, signature('Your name')],
      act: (values) => send('POST', `/api/v1/runs/${run.id}/notes`, values),
    })
    if (isDone) void this.renew()
  }

  /** @param {Run} run */
  async #evaluate(run) {
    if (await askEvaluation(run)) void this.renew()
  }

  /** @param {Run} run */
  async #stop(run) {
    const isDone = await ask({
      title: `${run.state === 'running' ? 'Stop' : 'Call off'} ${run.name}?`,
      words: run.state === 'running' ? `It has lasted ${lasting(run)}. Recording goes on; a run that was stopped cannot be continued.` : 'It has not begun, and will not.',
      confirm: run.state === 'running' ? 'Stop the run' : 'Call it off', isGrave: true,
      fields: [{ name: 'why', label: 'Why' }, signature('Your name')],
      act: ({ by, why }) => send('POST', `/api/v1/runs/${run.id}/stop`, why ? { by, why } : { by }),
    })
    if (isDone) void this.renew()
  }

  /** @param {Run} run */
  async #discard(run) {
    const isDone = await ask({
      title: `Discard ${run.name}?`,
      words: 'Its samples stay in the record, and so do its name, who discarded it and why. It cannot be taken back.',
      confirm: 'Discard the run', isGrave: true,
      fields: [{ name: 'name', label: `Type its name, ${run.name}`, needed: true }, { name: 'why', label: 'Why', needed: true }, signature('Your name')],
      act: ({ name, why, by }) => send('DELETE', `/api/v1/runs/${run.id}?${new URLSearchParams({ name, by, why })}`),
    })
    if (isDone) this.goTo('runs')
  }
}

/**
 * @typedef {import('./types').RunShort} Run
 * @typedef {import('./types').Run} WholeRun
 */

/** @param {Run} run */
const lasting = (run) => (run.length_s === null ? '' : length(run.length_s * 1000))

/** @param {Run} run */
function link({ id, name }) {
  const made = element('a', '', name)
  made.href = `#runs?id=${id}`
  return made
}

/** What a template says goes into the fields. @param {import('./types').Template[]} templates */
function fill(templates) {
  return (/** @type {string} */ chosen, /** @type {(name: string, value: string) => void} */ set) => {
    const template = templates.find(({ name }) => name === chosen)
    for (const name of /** @type {const} */ (['start', 'end', 'purpose', 'object', 'operator', 'layout'])) set(name, template?.[name] ?? (name === 'start' ? 'now' : name === 'end' ? 'by hand' : ''))
  }
}

/** @param {WholeRun} run @param {(at: string | null) => string | null} when */
function notes(run, when) {
  if (!run.noted.length) return [element('p', 'soft', 'None.')]
  return [element('ul', '', ...run.noted.map((note) => element('li', '', element('span', 'soft', `${when(note.about ?? note.said)}, ${note.by}: `), note.text)))]
}

/** Files of a run. @param {Run} run */
function takeAlong(run) {
  const [path, stretch] = [`/api/v1/runs/${run.id}`, { from: Date.parse(run.since ?? ''), to: run.until ? Date.parse(run.until) : Date.now() }]
  const read = element('a', '', 'Read the test report here')
  read.href = `${path}/report`
  read.target = '_blank'
  const files = downloads([
    { words: 'Test report, PDF', href: `${path}/report?as=pdf`, about: 'to sign and to keep' },
    { words: 'Workbook, XLSX', href: `${path}/export?format=xlsx&layout=wide`, about: 'for spreadsheets' },
    { words: 'CSV, a column per channel', href: `${path}/export?layout=wide` },
    { words: 'CSV, a sample a row', href: `${path}/export?layout=long`, about: 'every digit, unit, quality and time' },
    { words: 'Gaps and their causes, CSV', href: `${path}/export?layout=gaps` },
    { words: 'Parquet, a sample a row', href: `${path}/export?layout=long&format=parquet`, about: 'for programs' },
    { words: 'A record of its own, SQLite', href: `${path}/export?format=sqlite`, about: 'with its seal, to be proved' },
  ], stretch)
  return element('div', 'files-of-run', read, files)
}
