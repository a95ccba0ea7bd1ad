// The page for everybody: worked by keys alone, calm for whoever wants less motion, and every view, dark and light, on
// a desk and on a phone, looked through by axe-core for what WCAG 2.2 A and AA ask and a program can tell. And it stays
// with its station: nothing is asked for elsewhere, and its policy refuses nothing.

import assert from 'node:assert/strict'

import { Hand, text } from './hand.mjs'

const [, , base, program] = process.argv
const SIZES = [[1440, 900], [820, 1180], [390, 844]]

/** The control: what is planted is found, or nothing found would mean nothing. */
async function plant(browser) {
  await browser.value(`document.querySelector('main').insertAdjacentHTML('beforeend', '<p id="planted"><button></button></p>')`)
  const found = await browser.faults()
  assert.ok(found.some(({ id }) => id === 'button-name'), JSON.stringify(found))
  await browser.value(`document.querySelector('#planted').remove()`)
}

const typed = (words) => browser.send('Input.insertText', { text: words })

/** A run begins, gets its note and an evaluation, by the keys Tab, Enter, Escape and letters. */
async function byKeys() {
  await browser.goTo('runs')
  await browser.until(`/There is no run yet/.test(${text('#runs')})`, 5000)
  await browser.tabTo('Start a run')
  await browser.press('Enter')
  await browser.until(`document.querySelector('dialog[open]') !== null`, 2000)
  await browser.press('Escape')
  await browser.until(`document.querySelector('dialog[open]') === null && document.activeElement.textContent === 'Start a run'`, 2000)
  await browser.press('Enter')
  await browser.until(`document.activeElement.name === 'name'`, 2000)
  await typed('by-keys')
  await browser.tabTo('by', 'name')
  await typed('test')
  await browser.press('Enter')
  await browser.until(`/by-keys.*Running/.test(${text('#runs h2')})`, 8000)
  await browser.tabTo('Add a note')
  await browser.press('Enter')
  await browser.until(`document.activeElement.name === 'text'`, 2000)
  await typed('without a mouse')
  await browser.tabTo('Add')
  await browser.press('Enter')
  await browser.until(`/without a mouse/.test(${text('#runs')})`, 5000)
}

/** Digits change once a second at most for whoever wants less motion. */
async function calm() {
  const changes = async () => {
    await browser.send('Page.navigate', { url: base })
    await browser.until(`document.body?.dataset.link === 'live' && /\\d/.test(${text('#rows .now')})`, 10_000)
    return browser.value(`new Promise((resolve) => {
      let count = 0
      new MutationObserver(() => { count++ }).observe(document.querySelector('#rows .now'), { childList: true, characterData: true, subtree: true })
      setTimeout(() => resolve(count), 2900)
    })`)
  }
  const usual = await changes()
  await browser.send('Emulation.setEmulatedMedia', { features: [{ name: 'prefers-reduced-motion', value: 'reduce' }] })
  const less = await changes()
  await browser.send('Emulation.setEmulatedMedia', { features: [] })
  assert.ok(less >= 1 && less <= 3 && usual > less, `${usual} changes in 3 s, ${less} with less motion`)
}

const browser = new Hand(program)
try {
  await browser.open(base)
  await browser.until(`document.body?.dataset.link === 'live' && document.querySelectorAll('#rows tr').length === 4`, 10_000)
  await calm()
  await byKeys()
  await plant(browser)
  const named = await browser.value(`[...document.querySelectorAll('#views a')].map((link) => link.getAttribute('href').slice(1))`)
  assert.ok(named.length >= 5, `${named}`)
  const views = [...named, 'runs?id=1', 'runs?id=1&guide']
  const faults = []
  for (const view of views) {
    await browser.goTo(view)
    const [name] = view.split('?')
    await browser.until(`document.body.dataset.view === ${JSON.stringify(name)} && !document.getElementById(${JSON.stringify(name)}).hidden`, 2000)
    for (const theme of ['light', 'dark']) {
      await browser.value(`document.documentElement.dataset.theme = ${JSON.stringify(theme)}`)
      for (const [width, height] of SIZES) {
        const state = `${view}-${theme}-${width}`
        await browser.size(width, height)
        await browser.until(`innerWidth === ${width}`, 2000)
        const over = await browser.value('document.documentElement.scrollWidth - document.documentElement.clientWidth')
        if (over > 0) faults.push(`${state}: wider than the screen by ${over} px`)
        if (width === 820) continue
        for (const { id, impact, where } of await browser.faults()) faults.push(`${state}: ${id} (${impact}) ${where.join(' || ')}`)
      }
    }
  }
  for (const [view, words] of [['runs', 'Start a run'], ['runs?id=1', 'Ask an evaluation'], ['now', 'Display']]) {
    await browser.goTo(view)
    await browser.button(words)
    await browser.until(`document.querySelector('dialog[open]') !== null`, 2000)
    for (const { id, impact, where } of await browser.faults()) faults.push(`the dialog ${words}: ${id} (${impact}) ${where.join(' || ')}`)
    await browser.press('Escape')
  }
  assert.deepEqual(faults, [])
  // A run without a traverse has none to show.
  assert.deepEqual(browser.problems.filter((problem) => !/404/.test(problem)), [])
  const elsewhere = [...browser.asked].filter((url) => !url.startsWith(base) && !url.startsWith('data:'))
  assert.deepEqual(elsewhere, [], 'asked for elsewhere')
  assert.ok([...browser.asked].some((url) => url.startsWith(`${base}api/`)), 'requests are seen at all')
} finally {
  await browser.end()
}
process.exit(0)
