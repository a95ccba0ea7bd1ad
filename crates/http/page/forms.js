// Dialogs that ask for something and do it; what is refused stands in the dialog, in the recorder's words.

import { reason } from './api.js'
import { button, element } from './dom.js'
import { keep, recall } from './look.js'

/**
 * @typedef {object} Field
 * @property {string} name
 * @property {string} label
 * @property {string} [hint]
 * @property {string} [value]
 * @property {boolean} [needed]
 * @property {boolean} [secret]
 * @property {[string, string][]} [choices] value and words
 * @property {boolean} [long]
 * @property {(value: string, set: (name: string, value: string) => void) => void} [change]
 *
 * @typedef {object} Form
 * @property {string} title
 * @property {string} [words] what a reader should know before
 * @property {Field[]} fields
 * @property {string} confirm
 * @property {boolean} [isGrave] it cannot be taken back
 * @property {(values: Record<string, string>) => Promise<unknown>} act
 */

/** Who sits here, as last said; offered wherever somebody has to sign. @param {string} label @returns {Field} */
export const signature = (label) => ({ name: 'by', label, value: recall('name', ''), needed: true })

/** Asks, and does it; true once it is done. @param {Form} form @returns {Promise<boolean>} */
export function ask(form) {
  return new Promise((resolve) => {
    const dialog = element('dialog')
    const heading = element('h2', '', form.title)
    heading.id = 'h-asked'
    dialog.setAttribute('aria-labelledby', 'h-asked')
    const wrong = element('p', 'wrong')
    wrong.setAttribute('role', 'alert')
    const inputs = new Map(form.fields.map((field) => [field.name, input(field)]))
    const set = (/** @type {string} */ name, /** @type {string} */ value) => { const found = inputs.get(name); if (found) found.value = value }
    for (const { name, change } of form.fields) inputs.get(name)?.addEventListener('change', () => change?.(inputs.get(name)?.value ?? '', set))
    const confirm = element('button', form.isGrave ? 'grave' : 'main', form.confirm)
    const body = element('form', '', heading, ...(form.words ? [element('p', 'soft', form.words)] : []),
      ...form.fields.map((field) => labelled(field, /** @type {HTMLElement} */ (inputs.get(field.name)))), wrong,
      element('p', 'ends', button('Cancel', () => dialog.close()), confirm))
    let isDone = false
    body.addEventListener('submit', async (event) => {
      event.preventDefault()
      const values = Object.fromEntries([...inputs].map(([name, { value }]) => [name, value.trim()]))
      if (values.by) keep('name', values.by)
      confirm.disabled = true
      wrong.textContent = ''
      try {
        await form.act(values)
        isDone = true
        dialog.close()
      } catch (error) {
        wrong.textContent = reason(error)
      }
      confirm.disabled = false
    })
    dialog.addEventListener('close', () => {
      dialog.remove()
      resolve(isDone)
    })
    dialog.append(body)
    document.body.append(dialog)
    dialog.showModal()
  })
}

/** @param {Field} field */
function input({ name, value = '', needed, secret, choices, long }) {
  const made = choices ? element('select', '', ...choices.map(([value, words]) => { const option = element('option', '', words); option.value = value; return option })) : element(long ? 'textarea' : 'input')
  made.name = name
  made.required = Boolean(needed)
  if (made instanceof HTMLInputElement) {
    made.autocomplete = 'off'
    if (secret) made.type = 'password'
  }
  made.value = choices ? value || choices[0]?.[0] || '' : value
  return made
}

/** @param {Field} field @param {HTMLElement} control */
function labelled({ label, hint, needed }, control) {
  const words = element('span', '', label, ...(needed ? [] : [' ', element('small', '', 'optional')]))
  return element('label', 'field', words, control, ...(hint ? [element('small', '', hint)] : []))
}
