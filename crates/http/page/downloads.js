// Files of a run, with their progress: an export streams for as long as it takes, a report is worked out first.
// What breaks off is not kept, since half a file looks like a whole one.

import { ask, reason } from './api.js'
import { bytes } from './format.js'
import { button, element, put } from './dom.js'

/** A link by itself is enough for a browser; this says how far it is. */
const TOLD_MS = 200

/**
 * @typedef {object} File
 * @property {string} words
 * @property {string} href
 * @property {string} [about]
 *
 * @typedef {{from: number, to: number}} Stretch
 */

/** Links that say how far they are. @param {File[]} files @param {Stretch} stretch of time that the files are of */
export function downloads(files, stretch) {
  const list = element('ul', 'downloads')
  for (const { words, href, about } of files) {
    const link = element('a', '', words)
    link.href = href
    link.download = ''
    const state = element('span', 'soft', about ?? '')
    const item = element('li', '', link, ' ', state)
    link.addEventListener('click', (event) => {
      if (event.ctrlKey || event.metaKey || event.shiftKey) return
      event.preventDefault()
      if (!item.dataset.busy) void download(item, state, href, stretch)
    })
    list.append(item)
  }
  return list
}

/** @param {HTMLElement} item @param {HTMLElement} state @param {string} href @param {Stretch} stretch */
async function download(item, state, href, stretch) {
  const stop = new AbortController()
  const bar = element('progress')
  bar.setAttribute('aria-label', 'Progress')
  const said = element('span', '', 'Being prepared…')
  const cancel = button('Cancel', () => stop.abort())
  item.dataset.busy = 'true'
  state.replaceChildren(bar, ' ', said, ' ', cancel)
  state.setAttribute('role', 'status')
  try {
    const answer = await ask(href, stop.signal, 0)
    const name = nameOf(answer) ?? 'zonda'
    const file = await counted(answer, stretch, (got, share) => {
      if (share !== null) bar.value = share
      put(said, `${bytes(got)}${share === null ? '' : `, ${Math.floor(share * 100)} %`}`)
    })
    save(file, name)
    state.replaceChildren(`${name}, ${bytes(file.size)}`)
  } catch (error) {
    const isStopped = stop.signal.aborted
    state.replaceChildren(isStopped ? 'Cancelled.' : element('span', 'trouble', `${reason(error)} Nothing was kept.`))
  }
  delete item.dataset.busy
}

/**
 * The body, with word of how much has come. The share of a table is that of the time in its last line, since nobody
 * knows beforehand how long it gets.
 *
 * @param {Response} answer @param {Stretch} stretch @param {(got: number, share: number | null) => void} tell
 */
async function counted(answer, stretch, tell) {
  const all = Number(answer.headers.get('content-length')) || 0
  const isTable = /csv/.test(answer.headers.get('content-type') ?? '')
  let [got, told] = [0, 0]
  const counting = new TransformStream({
    transform(chunk, through) {
      through.enqueue(chunk)
      got += chunk.byteLength
      if (Date.now() - told < TOLD_MS) return
      told = Date.now()
      tell(got, all ? Math.min(1, got / all) : isTable ? shareOf(new TextDecoder().decode(chunk.subarray(-4096)), stretch) : null)
    },
  })
  return new Response(answer.body?.pipeThrough(counting), { headers: { 'content-type': answer.headers.get('content-type') ?? '' } }).blob()
}

/** How far into the stretch the last whole line of a table is; its first column is the time. @param {string} tail @param {Stretch} stretch */
export function shareOf(tail, { from, to }) {
  const lines = tail.split('\n')
  const at = Date.parse(lines[lines.length - 2]?.split(/[,;]/)[0].replaceAll('"', '') ?? '')
  return Number.isFinite(at) && to > from ? Math.min(1, Math.max(0, (at - from) / (to - from))) : null
}

/** @param {Response} answer */
function nameOf(answer) {
  const words = answer.headers.get('content-disposition') ?? ''
  const whole = /filename\*=UTF-8''([^;]+)/.exec(words)?.[1]
  return whole ? decodeURIComponent(whole) : /filename="([^"]+)"/.exec(words)?.[1]
}

/** @param {Blob} file @param {string} name */
function save(file, name) {
  const link = element('a')
  link.href = URL.createObjectURL(file)
  link.download = name
  link.click()
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000)
}
