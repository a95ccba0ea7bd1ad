// Making and changing what stands on the page. Text only ever goes in as text.

const SVG = 'http://www.w3.org/2000/svg'

/** An element that index.html has. @param {string} id @returns {HTMLElement} */
export const $ = (id) => /** @type {HTMLElement} */ (document.getElementById(id))

/**
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag @param {string} [name] its class @param {...(string | Node)} inside
 * @returns {HTMLElementTagNameMap[T]}
 */
export function element(tag, name = '', ...inside) {
  const made = document.createElement(tag)
  if (name) made.className = name
  made.append(...inside)
  return made
}

/**
 * @param {string} tag @param {Record<string, string | number>} [attributes] @param {...(string | Node)} inside
 * @returns {SVGElement}
 */
export function drawing(tag, attributes = {}, ...inside) {
  const made = document.createElementNS(SVG, tag)
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, String(value))
  made.append(...inside)
  return made
}

/** Writes a text where it has changed, so that nothing else is laid out anew. @param {Element} place @param {string} text */
export function put(place, text) {
  if (place.textContent !== text) place.textContent = text
}

/**
 * Puts other things into a place, so that whoever is at it is not disturbed: what is the same stays, what was
 * opened stays open, and the focus stays at the button with the same words.
 *
 * @param {Element} place @param {...(string | Node)} inside
 */
export function swap(place, ...inside) {
  const focused = place.contains(document.activeElement) ? document.activeElement?.textContent : null
  const made = element('div', '', ...inside)
  if (made.childNodes.length === place.childNodes.length && [...made.childNodes].every((node, index) => node.isEqualNode(place.childNodes[index]))) return
  const open = new Set([...place.querySelectorAll('details[open] > summary')].map(({ textContent }) => textContent))
  place.replaceChildren(...made.childNodes)
  for (const summary of place.querySelectorAll('summary')) {
    if (open.has(summary.textContent)) /** @type {HTMLDetailsElement} */ (summary.parentElement).open = true
  }
  if (focused === null) return
  const same = [...place.querySelectorAll('button, summary, a')].find(({ textContent }) => textContent === focused)
  const target = /** @type {HTMLElement | null} */ (same ?? place.closest('main'))
  target?.focus({ preventScroll: true })
}

/** @param {string} text @param {() => void} then @param {string} [name] its class */
export function button(text, then, name = '') {
  const made = element('button', name, text)
  made.type = 'button'
  made.addEventListener('click', then)
  return made
}

/** The shape that goes with a quality word. @param {string} mark */
export function shape(mark) {
  const use = drawing('use', { href: `#m-${mark}` })
  return drawing('svg', { class: `shape ${mark}`, viewBox: '-8 -8 16 16', 'aria-hidden': 'true' }, use)
}

/** Changes it. @param {Element} shape @param {string} mark */
export function reshape(shape, mark) {
  if (shape.classList.contains(mark)) return
  shape.setAttribute('class', `shape ${mark}`)
  shape.firstElementChild?.setAttribute('href', `#m-${mark}`)
}

/** A date and a time: where there is no room for both beside each other, it breaks between them. */
const TIME = /^(\d{4}-\d\d-\d\d) (\d\d:\d\d:\d\d)$/

/**
 * A table whose rows become blocks on a phone and stay rows to a reader by ear.
 *
 * @param {string} label @param {[string, string][]} heads class and words of each column
 * @param {(string | Node)[][]} rows
 */
export function table(label, heads, rows) {
  const top = element('tr', '', ...heads.map(([name, words]) => {
    const head = element('th', name, words)
    head.scope = 'col'
    return role(head, 'columnheader')
  }))
  const lines = rows.map((cells) => role(element('tr', '', ...cells.map((inside, index) => {
    const [, date, time] = TIME.exec(typeof inside === 'string' ? inside : '') ?? []
    const cell = element('td', heads[index][0], ...(time ? [element('span', 'whole', date), ' ', element('span', 'whole', time)] : [inside]))
    cell.dataset.head = heads[index][1]
    return role(cell, 'cell')
  })), 'row'))
  const made = element('table', 'blocks', role(element('thead', '', role(top, 'row')), 'rowgroup'), role(element('tbody', '', ...lines), 'rowgroup'))
  made.setAttribute('aria-label', label)
  return role(made, 'table')
}

/** @template {Element} T @param {T} of @param {string} role @returns {T} */
function role(of, role) {
  of.setAttribute('role', role)
  return of
}

/** Terms and what is said of them; what is not known is left out. @param {[string, string | Node | null | undefined][]} pairs */
export function facts(pairs) {
  const list = element('dl', 'facts-list')
  for (const [term, said] of pairs) {
    if (said) list.append(element('div', '', element('dt', '', term), element('dd', '', said)))
  }
  return list
}
