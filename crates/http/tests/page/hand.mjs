// How a script works the page as a person does, and how it asks whoever runs it for something.
//
// Whoever runs a script obeys the lines that it writes (an order each) and answers each with a line.

import { mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { createRequire } from 'node:module'
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

const TAGS = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']
const GRAVE = ['serious', 'critical']
const SIZES = [[1440, 900], [820, 1180], [390, 844]]

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

  /** Goes on by Tab to what has these words, or this `name`. */
  async tabTo(words, key = 'textContent') {
    for (let tries = 0; tries < 80; tries++) {
      if (await this.value(`document.activeElement[${JSON.stringify(key)}] === ${JSON.stringify(words)}`)) return
      await this.press('Tab')
    }
    throw new Error(`Tab does not lead to ${words}`)
  }

  /** What of this state axe-core can tell to be wrong for somebody. */
  async faults() {
    if (!(await this.value(`'axe' in globalThis`))) await this.value(readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8'))
    const found = await this.value(`axe.run(document, { runOnly: ${JSON.stringify(TAGS)}, resultTypes: ['violations'] }).then(({ violations }) => violations.map(({ id, impact, nodes }) => ({ id, impact, where: nodes.map(({ html, failureSummary }) => html.slice(0, 160) + ' | ' + failureSummary) })))`)
    return found.filter(({ impact }) => GRAVE.includes(impact))
  }

  /** The same, dark and light. */
  async faultsInBoth(state) {
    const all = []
    for (const theme of ['light', 'dark']) {
      await this.value(`document.documentElement.dataset.theme = ${JSON.stringify(theme)}`)
      for (const { id, impact, where } of await this.faults()) all.push(`${state}, ${theme}: ${id} (${impact}) ${where.join(' || ')}`)
    }
    await this.value(`delete document.documentElement.dataset.theme`)
    return all
  }

  /** Leaves pictures of what is shown in a folder: light and dark, at these sizes. */
  async portray(folder, name, sizes = SIZES) {
    mkdirSync(folder, { recursive: true })
    for (const theme of ['light', 'dark']) {
      // As a reader chooses it, so that charts follow; the first run's page has no choice.
      await this.value(`(document.querySelector('[name=theme][value=${theme}]') ?? { click: () => { document.documentElement.dataset.theme = '${theme}' } }).click()`)
      for (const [width, height] of sizes) {
        await this.size(width, height)
        await this.until(`innerWidth === ${width}`, 2000)
        // The charts are drawn anew twice a second.
        await new Promise((resolve) => setTimeout(resolve, 600))
        const over = await this.value('document.documentElement.scrollWidth - document.documentElement.clientWidth')
        if (over > 0) throw new Error(`${name} is wider than a screen of ${width} px by ${over} px`)
        const { data } = await this.send('Page.captureScreenshot', { captureBeyondViewport: true })
        writeFileSync(join(folder, `${name}-${width}-${theme}.png`), Buffer.from(data, 'base64'))
      }
    }
    await this.value(`document.querySelector('[name=theme][value=auto]')?.click(); delete document.documentElement.dataset.theme`)
    await this.size(1280, 900)
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
