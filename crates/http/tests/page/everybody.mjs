// The page for everybody: every view, dark and light, on a desk and on a phone, looked through by axe-core
// for what WCAG 2.2 A and AA ask and a program can tell. And it stays with its station: nothing is asked for
// elsewhere, and its policy refuses nothing. With SHOTS=folder in the environment it leaves pictures there.

import assert from 'node:assert/strict'
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { createRequire } from 'node:module'
import { join } from 'node:path'

import { Browser } from './chromium.mjs'

const [, , base, program] = process.argv
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8')
const TAGS = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']
const GRAVE = ['serious', 'critical']
const SIZES = [[1440, 900], [820, 1180], [390, 844]]
const shots = process.env.SHOTS

/** @param {Browser} browser what of this state a program can tell to be wrong */
async function look(browser) {
  const found = await browser.value(`axe.run(document, { runOnly: ${JSON.stringify(TAGS)}, resultTypes: ['violations'] }).then(({ violations }) => violations.map(({ id, impact, nodes }) => ({ id, impact, where: nodes.map(({ html, failureSummary }) => html.slice(0, 160) + ' | ' + failureSummary) })))`)
  return found.filter(({ impact }) => GRAVE.includes(impact))
}

async function shoot(browser, name) {
  if (!shots) return
  mkdirSync(shots, { recursive: true })
  const { data } = await browser.send('Page.captureScreenshot', { captureBeyondViewport: true })
  writeFileSync(join(shots, `${name}.png`), Buffer.from(data, 'base64'))
}

/** The control: what is planted is found, or nothing found would mean nothing. */
async function plant(browser) {
  await browser.value(`document.querySelector('main').insertAdjacentHTML('beforeend', '<p id="planted"><button></button></p>')`)
  const found = await look(browser)
  assert.ok(found.some(({ id }) => id === 'button-name'), JSON.stringify(found))
  await browser.value(`document.querySelector('#planted').remove()`)
}

const browser = new Browser(program)
try {
  await browser.open(base)
  await browser.until(`document.body?.dataset.link === 'live' && document.querySelectorAll('#rows tr').length === 4`, 10_000)
  await browser.value(axe)
  await plant(browser)
  const views = await browser.value(`[...document.querySelectorAll('#views a')].map((link) => link.getAttribute('href').slice(1))`)
  assert.ok(views.length >= 5, `${views}`)
  const faults = []
  for (const view of views) {
    await browser.value(`location.hash = ${JSON.stringify(view)}`)
    await browser.until(`document.body.dataset.view === ${JSON.stringify(view)} && !document.getElementById(${JSON.stringify(view)}).hidden`, 2000)
    for (const theme of ['light', 'dark']) {
      await browser.value(`document.documentElement.dataset.theme = ${JSON.stringify(theme)}`)
      for (const [width, height] of SIZES) {
        const state = `${view}-${theme}-${width}`
        await browser.size(width, height)
        await browser.until(`innerWidth === ${width}`, 2000)
        const over = await browser.value('document.documentElement.scrollWidth - document.documentElement.clientWidth')
        if (over > 0) faults.push(`${state}: wider than the screen by ${over} px`)
        await shoot(browser, state)
        if (width === 820) continue
        for (const { id, impact, where } of await look(browser)) faults.push(`${state}: ${id} (${impact}) ${where.join(' || ')}`)
      }
    }
  }
  assert.deepEqual(faults, [])
  assert.deepEqual(browser.problems, [])
  const elsewhere = [...browser.asked].filter((url) => !url.startsWith(base) && !url.startsWith('data:'))
  assert.deepEqual(elsewhere, [], 'asked for elsewhere')
  assert.ok([...browser.asked].some((url) => url.startsWith(`${base}api/`)), 'requests are seen at all')
} finally {
  await browser.end()
}
process.exit(0)
