// How a script works the page as a person does, and how it asks whoever runs it for something.
//
// Whoever runs a script obeys the lines that it writes (an order each) and answers each with a line.

import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { createInterface } from 'node:readline'

import { Browser } from './chromium.mjs'

const answers = createInterface({ input: process.stdin })[Symbol.asyncIterator]()

/** Has an order obeyed; gives the answer. */
export async function order(text) {
  process.stdout.write(`${text}\n`)
  const { value } = await answers.next()
  return value
}

/** An expression for the text of an element; empty without one. */
export const text = (selector) => `(document.querySelector(${JSON.stringify(selector)})?.textContent ?? '')`

/** A browser with hands. */
export class Hand extends Browser {
  click(selector) {
    return this.value(`document.querySelector(${JSON.stringify(selector)}).click()`)
  }

  /** Presses a key, with the code and text that it has on a keyboard. */
  async press(key, code = key) {
    const typed = key.length === 1 ? key : key === 'Enter' ? '\r' : undefined
    for (const type of ['keyDown', 'keyUp']) await this.send('Input.dispatchKeyEvent', { type, key, code, windowsVirtualKeyCode: CODES[key], text: type === 'keyDown' ? typed : undefined })
  }

  /** Presses the button with these words, once it is there. */
  async button(words) {
    const found = `[...document.querySelectorAll('button')].find((it) => it.textContent === ${JSON.stringify(words)} && it.checkVisibility() && !it.disabled)`
    await this.until(`${found} !== undefined`, 5000)
    await this.value(`${found}.click()`)
  }

  /** Fills a field of the open dialog. */
  async fill(name, value) {
    const field = `document.querySelector('dialog[open] [name=${name}]')`
    await this.until(`${field} !== null`, 5000)
    await this.value(`${field}.value = ${JSON.stringify(value)}; ${field}.dispatchEvent(new Event('change'))`)
  }

  confirm() {
    return this.value(`document.querySelector('dialog[open] form').requestSubmit()`)
  }

  /** Downloads the file with these words; gives its text, or its bytes as `latin1` has them. */
  async download(words, encoding = 'utf8') {
    await this.send('Page.setDownloadBehavior', { behavior: 'allow', downloadPath: this.home })
    const item = `[...document.querySelectorAll('.downloads li')].find((it) => it.querySelector('a').textContent === ${JSON.stringify(words)})`
    await this.value(`${item}.querySelector('a').click()`)
    await this.until(`${item}.dataset.busy === undefined`, 60_000)
    const said = await this.value(`${item}.querySelector('span').textContent`)
    const name = /^(\S+), /.exec(said)?.[1]
    if (!name) throw new Error(`${words}: ${said}`)
    for (let tries = 0; tries < 100; tries++) {
      try {
        return readFileSync(join(this.home, name), encoding)
      } catch {
        await new Promise((resolve) => setTimeout(resolve, 50))
      }
    }
    throw new Error(`${name} did not arrive`)
  }

  /** Follows the address within the page. */
  async goTo(part) {
    await this.value(`location.hash = ${JSON.stringify(part)}`)
  }
}

/** Of keys that do something by themselves. */
const CODES = { Enter: 13, Escape: 27, ' ': 32, Tab: 9 }
