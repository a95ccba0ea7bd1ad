// What evaluations of a run have found: figures with their uncertainty, and the judgement on them. The
// form follows what the recorder sends; a kind that this page does not know is shown as what it is.

import { element, facts, table } from './dom.js'
import { number } from './format.js'
import { sentence } from './words.js'

/** @param {any[]} evaluations */
export function results(evaluations) {
  if (!evaluations.length) return [element('p', 'soft', 'No evaluation was asked of this run.')]
  return evaluations.map((evaluation) => {
    const said = parameters(evaluation.parameters)
    return element('section', 'result', element('p', '', element('b', '', sentence(evaluation.kind)), said && element('span', 'soft', ` ${said}`)), ...shown(evaluation.result ?? evaluation.results))
  })
}

/** @param {Record<string, unknown> | null} all */
function parameters(all) {
  return Object.entries(all ?? {}).map(([name, value]) => `${name.replaceAll('_', ' ')} ${typeof value === 'object' ? JSON.stringify(value) : value}`).join(', ')
}

/** @param {any} result @returns {Node[]} */
function shown(result) {
  if (result === undefined || result === null) return [element('p', 'soft', 'Asked for; no result yet.')]
  if (Array.isArray(result)) return listOf(result)
  if (typeof result !== 'object') return [element('p', '', text(result))]
  const plain = Object.entries(result).filter(([, value]) => typeof value !== 'object' || value === null)
  const deep = Object.entries(result).filter(([, value]) => typeof value === 'object' && value !== null)
  return [
    facts(plain.map(([name, value]) => [sentence(name), text(value)])),
    ...deep.flatMap(([name, value]) => [element('h4', '', sentence(name)), ...shown(value)]),
  ]
}

/** @param {any[]} items */
function listOf(items) {
  if (!items.length) return [element('p', 'soft', 'None.')]
  if (items.some((item) => typeof item !== 'object' || item === null)) return [element('p', '', items.map(text).join(', '))]
  const heads = [...new Set(items.flatMap((item) => Object.keys(item)))].filter((name) => items.some((item) => typeof item[name] !== 'object'))
  return [table('Figures', heads.map((name) => ['', sentence(name)]), items.map((item) => heads.map((name) => text(item[name]))))]
}

/** @param {unknown} value */
function text(value) {
  if (value === null || value === undefined) return ''
  if (typeof value === 'number') return Number.isInteger(value) ? number(value, 0) : number(value, Math.abs(value) >= 100 ? 1 : Math.abs(value) >= 1 ? 2 : 4)
  if (typeof value === 'boolean') return value ? 'yes' : 'no'
  return typeof value === 'object' ? JSON.stringify(value) : String(value)
}
