// Debian's Chromium, driven over a pipe by its own protocol, so that Node is all this needs besides.

import assert from 'node:assert/strict'
import { spawn } from 'node:child_process'
import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'

export class Browser {
  #next = 1
  #waiting = new Map()
  #rest = ''
  #expected = new Map()
  problems = []
  /** Addresses that were asked for. */
  asked = new Set()

  /** @param {string} program */
  constructor(program) {
    this.home = mkdtempSync(join(tmpdir(), 'page-'))
    const words = ['--headless=new', '--remote-debugging-pipe', '--no-sandbox', '--disable-gpu', '--hide-scrollbars', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync', `--user-data-dir=${this.home}`]
    this.process = spawn(program, words, { stdio: ['ignore', 'ignore', 'ignore', 'pipe', 'pipe'] })
    this.process.stdio[4].setEncoding('utf8').on('data', (text) => this.#take(text))
  }

  #take(text) {
    const parts = (this.#rest + text).split('\0')
    this.#rest = parts.pop()
    for (const part of parts) {
      const { id, result, error, method, params } = JSON.parse(part)
      if (id) this.#waiting.get(id)?.(error ? Promise.reject(new Error(error.message)) : result)
      else this.#note(method, params)
    }
  }

  /** Errors of scripts, and what the page's policy refused. A connection that is lost is meant. */
  #note(method, params) {
    this.#expected.get(method)?.(params)
    this.#expected.delete(method)
    if (method === 'Network.requestWillBeSent') this.asked.add(params.request.url)
    if (method === 'Runtime.exceptionThrown') this.problems.push(params.exceptionDetails.exception?.description ?? params.exceptionDetails.text)
    if (method === 'Log.entryAdded' && params.entry.level === 'error' && !/ERR_CONNECTION|ERR_INCOMPLETE|ERR_EMPTY/.test(params.entry.text)) this.problems.push(params.entry.text)
  }

  send(method, params = {}) {
    const id = this.#next++
    const sessionId = this.session
    return new Promise((resolve) => {
      this.#waiting.set(id, resolve)
      this.process.stdio[3].write(`${JSON.stringify({ id, method, params, sessionId })}\0`)
    })
  }

  /** The next event of this name. */
  once(method) {
    return new Promise((resolve) => this.#expected.set(method, resolve))
  }

  async open(url) {
    const { targetId } = await this.send('Target.createTarget', { url: 'about:blank' })
    this.session = (await this.send('Target.attachToTarget', { targetId, flatten: true })).sessionId
    for (const domain of ['Page', 'Runtime', 'Log', 'Network']) await this.send(`${domain}.enable`)
    await this.size(1280, 900)
    await this.send('Page.navigate', { url })
  }

  size(width, height) {
    return this.send('Emulation.setDeviceMetricsOverride', { width, height, deviceScaleFactor: 1, mobile: false })
  }

  async value(expression) {
    const { result, exceptionDetails } = await this.send('Runtime.evaluate', { expression, returnByValue: true, awaitPromise: true })
    assert.equal(exceptionDetails, undefined, expression)
    return result.value
  }

  text(selector) {
    return this.value(`document.querySelector(${JSON.stringify(selector)})?.textContent`)
  }

  /** Waits until an expression is true; gives how long that took, ms. */
  async until(expression, most) {
    const begin = Date.now()
    while (!(await this.value(expression))) {
      assert.ok(Date.now() - begin < most, `not so within ${most} ms: ${expression}; the page says: ${await this.value(`document.querySelector('dialog[open]')?.innerText ?? [...document.querySelectorAll('main *')].filter((it) => it.checkVisibility() && !it.children.length).map((it) => it.textContent).join(' | ').slice(0, 6000)`)}`)
      await new Promise((resolve) => setTimeout(resolve, 50))
    }
    return Date.now() - begin
  }

  async end() {
    const ended = new Promise((resolve) => this.process.once('exit', resolve))
    this.session = undefined
    // Asked to, it ends in order; a helper of it may write for a moment longer, which is nobody's fault.
    void this.send('Browser.close')
    await ended
    try {
      rmSync(this.home, { recursive: true, force: true, maxRetries: 10, retryDelay: 100 })
    } catch (error) {
      process.stderr.write(`${this.home} was left behind: ${error.message}\n`)
    }
  }
}
