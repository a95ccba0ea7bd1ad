// What evaluations of a run have found: verdicts, figures with their uncertainty and what that rests on,
// warnings, and what was left out and why.

import { element, table } from './dom.js'
import { known, number } from './format.js'
import { reading, timed } from './look.js'
import { list, many, sentence, told as toldOf } from './words.js'

/** What the recorder says, with its times as this reader wants them. @param {string} words */
const told = (words) => toldOf(timed(words))

/** Of figures without an uncertainty so many are shown at once. */
const SHOWN_MOST = 6
/** A verdict as words and a class. */
const VERDICT = /** @type {Record<string, [string, string]>} */ ({ conforms: ['Conforms', 'fine'], does_not: ['Does not conform', 'bad'], undecided: ['Undecided', 'mind'] })

/** @param {import('./types').Evaluation[]} evaluations */
export function results(evaluations) {
  if (!evaluations.length) return [element('p', 'soft', 'No evaluation was asked of this run.')]
  const played = evaluations.flatMap(({ outcome }) => outcome?.warnings.find(isOfRig) ?? [])
  return [
    ...played.slice(0, 1).map((words) => element('p', 'trouble', told(words))),
    ...evaluations.map((evaluation) => {
      const title = element('h4', '', sentence(evaluation.title ?? evaluation.kind))
      return element('section', 'result', title, ...standing(evaluation), ...(evaluation.outcome ? outcome(evaluation.outcome) : []))
    }),
  ]
}

/** That a rig played the samples is said once, above all results. @param {string} warning */
const isOfRig = (warning) => /carry the mark `?simulated/i.test(warning)

/** How far an answer is. @param {import('./types').Evaluation} evaluation @returns {Node[]} */
function standing({ state, progress, refused, outcome }) {
  if (refused) return [element('p', 'trouble', told(refused))]
  if (typeof progress === 'number' && !outcome) {
    const bar = element('progress')
    bar.max = 1
    bar.value = progress
    bar.setAttribute('aria-label', 'Being worked out')
    return [element('p', 'soft', `Being worked out: ${number(progress * 100, 0)} %. `, bar)]
  }
  if (!outcome) return [element('p', 'soft', state === 'working' ? 'Waiting for its turn.' : 'Asked for; no result yet.')]
  return outcome.is_preliminary ? [element('p', 'soft', 'Preliminary: the run goes on.')] : []
}

/** @param {import('./types').Outcome & {outdated?: unknown}} outcome @returns {Node[]} */
function outcome({ verdicts = [], results = [], reached = [], warnings = [], inputs = [], tables = [], outdated }) {
  return [
    ...(outdated ? [element('p', 'trouble', 'A correction has changed what this rests on; it is being worked out again.')] : []),
    ...verdicts.map(verdict),
    ...lacking(reached),
    ...figures(results),
    ...budgets(results.filter(({ budget }) => budget)),
    ...tables.map(tableOf),
    ...warnings.filter((words) => !isOfRig(words)).map((words) => element('p', 'trouble', told(words))),
    ...rests(inputs),
  ]
}

/** What was asked for and is not reached, channels of one kind together. @param {import('./types').Outcome['reached']} reached @returns {Node[]} */
function lacking(reached) {
  /** @type {Map<string, typeof reached>} */ const kinds = new Map()
  for (const it of reached.filter(({ is_reached: isReached }) => !isReached)) {
    const key = `${it.what} ${it.wanted} ${it.unit}`
    kinds.set(key, [...(kinds.get(key) ?? []), it])
  }
  return [...kinds.values()].map((all) => {
    const [{ what, wanted, unit }] = all
    const found = all.map(({ of, found }) => `${found === null ? 'unknown' : amount(found, unit)} of ${of}`)
    return element('p', 'trouble', `Not reached yet: ${amount(wanted, unit)} ${what}. It is ${found.length > 3 ? `${found.slice(0, 2).join(', ')}, and ${found.length - 2} more` : list(found)}.`)
  })
}

/** A share as a percentage; anything else with its unit. @param {number} value @param {string} unit */
const amount = (value, unit) => (unit === '1' ? `${number(value * 100, 0)} %` : `${number(value, 2)} ${unit}`)

/** @param {import('./types').Verdict} judged */
function verdict({ what, verdict, meaning, rule, value, unit, low, high }) {
  const [word, name] = VERDICT[verdict] ?? [sentence(verdict), 'ok']
  const limits = [low === null ? '' : `not below ${number(low, 2)}`, high === null ? '' : `not above ${number(high, 2)}`].filter(Boolean).join(', ')
  return element('p', 'verdict', element('span', `word ${name}`, word), ` ${what}: ${number(value, 2)} ${unit}, ${limits}. `, element('span', 'soft', told(meaning)))
}

/** Those whose uncertainty is known stand first; the others can be opened. @param {import('./types').Figure[]} results @returns {Node[]} */
function figures(results) {
  const known = results.filter(({ expanded }) => typeof expanded === 'number')
  const first = known.length ? known : results.slice(0, SHOWN_MOST)
  const more = results.filter((result) => !first.includes(result))
  return [
    ...(first.length ? [tableOfFigures('Figures', first)] : []),
    ...(more.length ? [element('details', '', element('summary', '', `${many(more.length, 'more figure')}: ${[...new Set(more.map(({ name }) => name))].slice(0, 4).join(', ')}${more.length > 4 ? ' …' : ''}`), tableOfFigures('More figures', more))] : []),
  ]
}

/** @param {string} label @param {import('./types').Figure[]} results */
function tableOfFigures(label, results) {
  const clock = reading()
  const rows = results.map(({ name, of, stated, place, at, definition, note }) => [
    element('b', '', sentence(name)), [of, placeOf(place)].filter(Boolean).join(', '), written(stated), element('span', 'soft', [definition ?? '', note ?? ''].filter(Boolean).map(told).join(' ')), at ? clock.when(Date.parse(at), Date.now()) : '',
  ])
  return table(label, [['', 'Figure'], ['of', 'Of'], ['value', 'Value'], ['what', 'What it is'], ['when', 'When']], rows)
}

/** A value breaks before its coverage at most. @param {string} stated */
const written = (stated) => stated.replace(/(^|\()-(?=\d)/, '$1−').replaceAll(' ', '\u00a0').replace('\u00a0(k', ' (k')

/** What the uncertainty of each figure rests on, cause by cause. @param {import('./types').Figure[]} results @returns {Node[]} */
function budgets(results) {
  if (!results.length) return []
  const words = results.length === 1 ? `Budget of ${titleOf(results[0])}` : `Budgets of ${results.length} figures`
  return [element('details', '', element('summary', '', words), ...results.flatMap((result) => [...(results.length > 1 ? [element('h5', '', sentence(titleOf(result)))] : []), ...budgetOf(result)]))]
}

/** A point of a duct has but a number. @param {string | null | undefined} place */
const placeOf = (place) => (place && /^\d+$/.test(place) ? `point ${place}` : place)

/** @param {import('./types').Figure} figure */
const titleOf = ({ name, of, place }) => [name, of, placeOf(place)].filter(Boolean).join(', ').replaceAll('_', ' ')

/** @param {import('./types').Figure} figure @returns {Node[]} */
function budgetOf({ budget }) {
  if (!budget) return []
  const rows = budget.rows.map((row) => [element('b', '', sentence(row.what)), row.of, `${short(row.u)} ${row.unit}`, `${row.evaluation}, ${row.distribution}`, `${number(row.share * 100, 0)} %`])
  const left = budget.omitted.length ? [element('p', 'soft', `Not in it, since nobody stated a figure: ${budget.omitted.map((cause) => `${cause.what} (${cause.of})`).join('; ')}.`)] : []
  return [table('Budget', [['', 'Cause'], ['', 'Of'], ['', 'Standard uncertainty'], ['', 'How known'], ['', 'Share']], rows), ...left]
}

/** @typedef {import('./types').Outcome['tables'][number]} Table */

/** What a row may have, in order: the head and how it is written. */
const COLUMNS = /** @type {[string, (row: Table['rows'][number], when: (at: string) => string) => string][]} */ ([
  ['From', ({ from }, when) => when(from)],
  ['To', ({ to }, when) => when(to)],
  ['Value', ({ value, expanded }) => figure(value, expanded)],
  ['Expanded uncertainty', ({ expanded }) => figure(expanded, expanded)],
  ['Standard deviation', ({ sd }) => figure(sd, sd)],
  ['Covered', ({ coverage }) => (typeof coverage === 'number' ? `${number(coverage * 100, 1)} %` : '')],
  ['Samples', ({ used }) => (typeof used === 'number' ? number(used, 0) : '')],
  ['State', ({ word }) => sentence(word ?? '')],
  ['Why there is none', ({ note }) => told(note ?? '')],
])

/** A table of the outcome, without the columns that no row has. @param {Table} table */
function tableOf({ name, of, unit, rows }) {
  const clock = reading()
  const when = (/** @type {string} */ at) => clock.when(Date.parse(at), Date.now())
  const columns = COLUMNS.map(([head, write]) => ({ head, texts: rows.map((row) => write(row, when)) })).filter(({ texts }) => texts.some(Boolean))
  // A difference of temperatures is one in kelvin.
  const units = /** @type {Record<string, string>} */ ({ Value: unit, 'Expanded uncertainty': unit.replace('°C', 'K'), 'Standard deviation': unit.replace('°C', 'K') })
  return element('details', '', element('summary', '', sentence([name, of].filter(Boolean).join(', '))),
    table(name, columns.map(({ head }) => ['', units[head] && units[head] !== '1' ? `${head}, ${units[head]}` : head]), rows.map((_, row) => columns.map(({ texts }) => texts[row]))))
}

/** A value to the digits of its uncertainty, where it has one. @param {number | null | undefined} value @param {number | null | undefined} [expanded] */
const figure = (value, expanded) => (typeof value !== 'number' ? '' : expanded ? known(value, expanded).split(' ± ')[0] : short(value))

/** What it rests on. @param {import('./types').Outcome['inputs']} inputs @returns {Node[]} */
function rests(inputs) {
  if (!inputs.length) return []
  const used = inputs.reduce((sum, { tally }) => sum + tally.used, 0)
  const left = inputs.reduce((sum, { tally }) => sum + tally.left_out, 0)
  const least = Math.min(...inputs.map(({ tally }) => tally.coverage))
  return [element('p', 'soft', `From ${number(used, 0)} samples of ${many(inputs.length, 'channel')}; ${left ? `${number(left, 0)} were left out` : 'none was left out'}; at least ${number(least * 100, 1)} % of the time is covered.`)]
}

/** Three figures. @param {number} value */
const short = (value) => (value === 0 ? '0' : number(value, Math.max(0, Math.min(6, 2 - Math.floor(Math.log10(Math.abs(value)))))))
