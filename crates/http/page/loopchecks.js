// Loop checks: a known signal is put on a loop, point by point, and what arrives is compared. Made to be
// done with a calibrator in one hand and a phone in the other.

import { askJson, reason, send } from './api.js'
import { button, element, swap, table } from './dom.js'
import { number } from './format.js'
import { ask, signature } from './forms.js'
import { reading } from './look.js'
import { sentence } from './words.js'

/** While a check is under way somebody stands beside it; else another page may begin one. */
const [RENEW_MS, LOOK_MS] = [1000, 5000]

export class LoopChecks {
  #timer = 0
  /** Of drawings only the newest goes on. */
  #turn = 0
  #wasUnderWay = false

  /** @param {HTMLElement} place */
  constructor(place) {
    this.place = place
    this.wrong = element('p', 'wrong')
    this.wrong.setAttribute('role', 'alert')
  }

  /** @param {import('./types').Channel[]} channels */
  async show(channels) {
    this.channels = channels
    await this.#draw()
  }

  hide() {
    this.#turn++
    clearTimeout(this.#timer)
  }

  async #draw() {
    clearTimeout(this.#timer)
    const turn = ++this.#turn
    const isOver = () => turn !== this.#turn
    let wait = LOOK_MS
    try {
      const { under_way: underWay, loop_checks: done } = await askJson('/api/v1/loopchecks?limit=20')
      if (isOver()) return
      swap(this.place,
        element('p', '', element('span', 'soft', 'Proves the way from the meter’s output to the record. While one is under way its channel’s readings are marked. '), button('Begin a loop check', () => void this.#begin(), 'operates')),
        ...underWay.map((/** @type {import('./types').LoopCheckUnderWay} */ check) => this.#underWay(check)),
        this.wrong.cloneNode(true),
        ...recorded(done),
      )
      // What has just ended stands in the record a moment later.
      wait = underWay.length || this.#wasUnderWay ? RENEW_MS : LOOK_MS
      this.#wasUnderWay = underWay.length > 0
    } catch (error) {
      if (isOver()) return
      swap(this.place, element('p', 'soft', `Loop checks could not be asked for: ${reason(error)}`))
    }
    this.#timer = window.setTimeout(() => void this.#draw(), wait)
  }

  /** @param {import('./types').LoopCheckUnderWay} check */
  #underWay(check) {
    const { channel, target: next, standing: now, taken: points, trouble: waiting, outcome } = check
    const target = next && `Point ${next.point}: apply ${number(next.signal, 3)} ${next.signal_unit}${next.value === null ? '' : `, which stands for ${number(next.value, 2)} ${next.value_unit}`}.`
    const stands = now && `On the loop: ${number(now.signal, 4)} ± ${number(now.deviation, 4)}; it is taken once it stands still.`
    const act = (/** @type {'points' | 'end'} */ what) => void send('POST', what === 'points' ? `/api/v1/loopchecks/${encodeURIComponent(channel)}/points` : `/api/v1/loopchecks/${encodeURIComponent(channel)}/end`).then(() => { this.wrong.textContent = '' }, (error) => { this.wrong.textContent = reason(error) }).finally(() => void this.#draw())
    return element('section', 'check', element('h3', '', `${channel}, under way`),
      element('p', 'target', target || (outcome ? `All points are taken: ${outcome.passed ? 'passed' : 'failed'}. Put the loop back in service, and say so.` : '')),
      element('p', 'soft', [stands, waiting && sentence(waiting)].filter(Boolean).join(' ')),
      element('p', '', ...(next ? [button('It stands on the loop', () => act('points'), 'main operates'), ' '] : []), button('The loop is back in service', () => act('end'), 'operates')),
      ...(points?.length ? [pointsOf(points)] : []))
  }

  async #begin() {
    const channels = (this.channels ?? []).map(({ id }) => /** @type {[string, string]} */ ([id, id]))
    const isDone = await ask({
      title: 'Begin a loop check', words: 'From now on the channel’s readings carry a mark, until you say that the loop is back in service.', confirm: 'Begin',
      fields: [
        { name: 'channel', label: 'Channel', choices: channels, needed: true },
        { name: 'source', label: 'Where the signal comes from', value: 'calibrator', needed: true },
        { name: 'serial', label: 'Its serial number' },
        { name: 'note', label: 'Note' },
        signature('Your name'),
      ],
      act: ({ by, ...values }) => send('POST', '/api/v1/loopchecks', { ...values, operator: by }),
    })
    if (isDone) void this.#draw()
  }
}

/** @param {import('./types').LoopPoint[]} points */
function pointsOf(points) {
  const rows = points.map((point) => [`${number(point.percent, 0)} %`, `${number(point.target, 3)} ${point.unit}`, `${number(point.found.value, 4)} ${point.unit}`, `${number(point.error_percent, 3)} %`])
  return table('Points taken', [['', 'Of the span'], ['', 'Applied'], ['', 'Found'], ['', 'Error']], rows)
}

/** @param {import('./types').LoopCheck[]} done */
function recorded(done) {
  if (!done.length) return [element('p', 'soft', 'None is recorded yet.')]
  const clock = reading()
  const rows = done.map((check) => [
    element('b', '', check.channel), element('span', `word ${check.outcome.passed ? 'ok' : 'bad'}`, check.outcome.passed ? 'Passed' : 'Failed'),
    `${number(check.outcome.error_max_percent, 3)} % of the span; ${number(check.tolerance_percent, 2)} % passes`, clock.when(Date.parse(check.at), Date.now()), `${check.operator}, ${check.source}`,
  ])
  return [table('Loop checks', [['', 'Channel'], ['', 'Result'], ['', 'Largest error'], ['', 'When'], ['', 'By']], rows)]
}
