// The table of channels: built once for a configuration, then only its digits and words change.

import { BUCKETS, paths } from './trend.js'
import { element, put, reshape, shape } from './dom.js'
import { age } from './format.js'
import { writer } from './units.js'
import { QUALITY, sentence } from './words.js'

const SVG = 'http://www.w3.org/2000/svg'
const BOX = { width: 1.5 * BUCKETS, height: 24 }
/** Marks whose last number is not shown. */
const NUMBERLESS = new Set(['fault', 'off', 'none'])
/** Marks that cannot be believed any more without contact. */
const FRESH = new Set(['ok', 'suspect', 'under', 'over'])

/** A mark as it is to be shown: without contact nothing is fresh. @param {string} mark @param {boolean} isLive */
export const shownMark = (mark, isLive) => (!isLive && FRESH.has(mark) ? 'stale' : mark)

/** True where the last number of a channel with this mark is to be shown. @param {string} mark */
export const hasNumber = (mark) => !NUMBERLESS.has(mark)

export class ChannelTable {
  /** @type {ReturnType<typeof row>[]} */ #rows = []
  #onlyBad = false

  /** @param {HTMLElement} body @param {HTMLElement} empty says why no row is shown */
  constructor(body, empty) {
    this.body = body
    this.empty = empty
  }

  /** @param {import('./types').Channel[]} channels @param {string} units */
  build(channels, units) {
    this.channels = channels
    this.#rows = channels.map((channel, index) => row(channel, channels[index - 1]?.point === channel.point))
    this.body.classList.toggle('mixed', channels.some(({ simulated }) => !simulated))
    this.body.replaceChildren(...this.#rows.map(({ line }) => line))
    this.write(units)
  }

  /** @param {string} units */
  write(units) {
    this.writers = (this.channels ?? []).map((channel) => writer(channel, units))
    this.#rows.forEach(({ unit }, index) => put(unit, this.writers?.[index].unit ?? ''))
  }

  /** @param {boolean} onlyBad */
  filter(onlyBad) {
    this.#onlyBad = onlyBad
    this.body.classList.toggle('filtered', onlyBad)
    this.#show()
  }

  /** The mark of each channel as it is shown. @param {import('./board.js').Board} board @param {boolean} isLive */
  static marks(board, isLive) {
    return board.mark.map((mark) => shownMark(mark, isLive))
  }

  /** The digits and the words. @param {import('./board.js').Board} board @param {boolean} isLive */
  draw(board, isLive) {
    const now = board.now()
    const marks = ChannelTable.marks(board, isLive)
    this.#rows.forEach((row, index) => {
      const mark = marks[index]
      const { id } = board.channels[index]
      put(row.now, !hasNumber(mark) ? '–' : this.writers?.[index].text(board.shown(index)) ?? '')
      const word = QUALITY[mark]?.name ?? sentence(mark)
      put(row.word, word)
      reshape(row.sign, mark)
      const why = isLive ? sentence(board.why[id] ?? '') : mark === 'stale' ? 'No contact' : ''
      const old = mark === 'off' ? '' : age(now - board.at[index])
      put(row.age, old && `, ${old}`)
      put(row.why, why && why !== word ? ` · ${why}` : '')
      if (row.line.dataset.mark !== mark) row.line.dataset.mark = mark
    })
    this.#show()
  }

  /** The ten minutes. @param {import('./trend.js').Trend} trend */
  drawTrend(trend) {
    this.#rows.forEach((row, index) => {
      const { lo, hi, mean } = trend.summary(index)
      const write = this.writers?.[index].text ?? String
      put(row.lo, write(lo))
      put(row.mean, write(mean))
      put(row.hi, write(hi))
      const channel = (this.channels ?? [])[index]
      const least = Math.max(Math.abs(mean) * 0.02, (channel.resolution ?? 0) * 40)
      const shape = paths(trend, index, { ...BOX, least, period: channel.period_ms })
      row.gaps.setAttribute('d', shape.gaps)
      row.band.setAttribute('d', shape.band)
      row.middle.setAttribute('d', shape.mean)
    })
  }

  #show() {
    let shown = 0
    for (const { line } of this.#rows) {
      const isHidden = this.#onlyBad && (line.dataset.mark === 'ok' || line.dataset.mark === 'off')
      if (line.hidden !== isHidden) line.hidden = isHidden
      if (!isHidden) shown++
    }
    this.empty.hidden = shown > 0
    put(this.empty, this.#rows.length ? 'Every channel is good.' : 'No channels are configured.')
  }
}

/** @param {import('./types').Channel} channel @param {boolean} isSamePoint as the row above */
function row(channel, isSamePoint) {
  const line = element('tr', '')
  line.setAttribute('role', 'row')
  line.classList.toggle('again', isSamePoint)
  line.dataset.mark = 'none'
  const [point, own] = [cell(line, 'th', 'point'), cell(line, 'th', 'own')]
  point.append(element('b', '', channel.point))
  own.append(channel.id.slice(channel.point.length + 1) || channel.kind.replaceAll('_', ' '))
  if (channel.simulated) own.append(' ', element('span', 'tag', 'simulated'))
  if (channel.basis) own.append(' ', element('span', 'basis', channel.basis))
  const values = { now: cell(line, 'td', 'now num'), unit: cell(line, 'td', 'unit') }
  const quality = cell(line, 'td', 'quality')
  const sign = shape('none')
  const [word, why, age] = ['word', 'why', 'age'].map((name) => element('span', name))
  quality.append(sign, word, age, why)
  const past = trend(cell(line, 'td', 'trend'))
  const ends = { lo: cell(line, 'td', 'lo num'), mean: cell(line, 'td', 'mean num'), hi: cell(line, 'td', 'hi num') }
  return { line, sign, word, why, age, ...values, ...past, ...ends }
}

/** @param {HTMLElement} place */
function trend(place) {
  const svg = document.createElementNS(SVG, 'svg')
  svg.setAttribute('viewBox', `0 0 ${BOX.width} ${BOX.height}`)
  svg.setAttribute('preserveAspectRatio', 'none')
  svg.setAttribute('aria-hidden', 'true')
  const [gaps, band, middle] = ['gaps', 'band', 'middle'].map((name) => {
    const path = svg.appendChild(document.createElementNS(SVG, 'path'))
    path.setAttribute('class', name)
    return path
  })
  gaps.setAttribute('fill', 'url(#hatch)')
  place.append(svg)
  return { gaps, band, middle }
}

/** @param {HTMLElement} line @param {'th' | 'td'} tag @param {string} name */
function cell(line, tag, name) {
  const made = line.appendChild(element(tag, name))
  made.setAttribute('role', tag === 'th' ? 'rowheader' : 'cell')
  if (tag === 'th') made.setAttribute('scope', 'row')
  return made
}
