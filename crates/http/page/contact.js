// Contact with the recorder: one event stream, watched, and reopened by itself.
//
// An EventSource alone will not do: it gives up for good after an HTTP error, and does not see a link
// that has died in silence. So every loss (an error, a farewell, silence) closes it, and it is opened
// anew with the place where it stopped.

import { tellStranger } from './api.js'

/** Frames come five times a second even when nothing changes; so much silence is a loss. */
const SILENCE_MS = 3000
/** A hidden page lets go after this: a browser allows a station few connections, and a phone has a battery. */
const HIDDEN_MS = 15000
const [WAIT_LEAST_MS, WAIT_MOST_MS] = [400, 5000]
const EVENTS = ['hello', 'frame', 'why', 'health', 'bye']

export class Contact {
  /** @type {EventSource | null} */ #source = null
  /** @type {ReturnType<typeof setTimeout> | undefined} */ #retry
  /** @type {ReturnType<typeof setTimeout> | undefined} */ #hiding
  #wait = WAIT_LEAST_MS
  #lastId = ''
  /** @type {import('./types').Link} */
  link = { state: 'connecting', since: Date.now(), heard: 0, retryAt: 0, note: '' }

  /**
   * @param {string} url of the stream
   * @param {(event: string, data: any) => void} onEvent
   * @param {(link: import('./types').Link) => void} onLink told when `link` has changed
   */
  constructor(url, onEvent, onLink) {
    this.url = url
    this.onEvent = onEvent
    this.onLink = onLink
    setInterval(() => this.#watch(), 500)
    addEventListener('online', () => this.tryNow())
    addEventListener('pagehide', () => this.#close())
    document.addEventListener('visibilitychange', () => this.#seen())
    this.#open()
  }

  /** Opens at once, if there is no contact. */
  tryNow() {
    if (this.link.state === 'live' || document.hidden) return
    this.#wait = WAIT_LEAST_MS
    this.#open()
  }

  #open() {
    this.#close()
    const after = this.#lastId ? `?after=${encodeURIComponent(this.#lastId)}` : ''
    const source = new EventSource(this.url + after)
    this.#source = source
    this.opened = Date.now()
    for (const name of EVENTS) source.addEventListener(name, (event) => this.#take(source, name, event))
    source.onerror = () => {
      if (source !== this.#source) return
      this.#lose()
      void this.#ask()
    }
  }

  #close() {
    clearTimeout(this.#retry)
    this.#source?.close()
    this.#source = null
  }

  /** @param {EventSource} source @param {string} name @param {MessageEvent<string>} event */
  #take(source, name, event) {
    if (source !== this.#source) return
    if (name === 'bye') return this.#lose('It said that it was being stopped. This page goes on trying.')
    this.link.heard = Date.now()
    if (event.lastEventId) this.#lastId = event.lastEventId
    this.onEvent(name, JSON.parse(event.data))
    if (name === 'hello') {
      this.#wait = WAIT_LEAST_MS
      this.#tell({ state: 'live', since: Date.now(), retryAt: 0, note: '' })
    }
  }

  #watch() {
    const isSilent = Date.now() - Math.max(this.link.heard, this.opened ?? 0) > SILENCE_MS
    if (this.#source && isSilent) this.#lose()
  }

  #lose(note = '') {
    this.#close()
    if (document.hidden) return this.#tell({ state: 'lost', since: this.#lostSince(), retryAt: 0, note })
    this.#retry = setTimeout(() => this.#open(), this.#wait)
    this.#tell({ state: 'lost', since: this.#lostSince(), retryAt: Date.now() + this.#wait, note: note || this.link.note })
    this.#wait = Math.min(WAIT_MOST_MS, this.#wait * 1.7)
  }

  /** An EventSource does not say why it failed. The recorder may: as many pages may be watching as it allows. */
  async #ask() {
    const asking = new AbortController()
    setTimeout(() => asking.abort(), SILENCE_MS)
    const answer = await fetch(this.url, { signal: asking.signal }).catch(() => null)
    if (answer?.status === 401) tellStranger()
    const problem = answer?.ok === false ? await answer.json().catch(() => null) : null
    asking.abort()
    if (problem?.detail && this.link.state === 'lost') this.#tell({ note: `It answers: ${problem.detail}` })
  }

  #lostSince() {
    if (this.link.state === 'lost') return this.link.since
    return this.link.heard || this.link.since
  }

  /** @param {Partial<import('./types').Link>} change */
  #tell(change) {
    this.link = { ...this.link, ...change }
    this.onLink(this.link)
  }

  #seen() {
    clearTimeout(this.#hiding)
    if (!document.hidden) {
      if (!this.#source) this.tryNow()
      return
    }
    this.#hiding = setTimeout(() => {
      this.#close()
      this.#tell({ state: 'lost', since: this.#lostSince(), retryAt: 0, note: '' })
    }, HIDDEN_MS)
  }
}
