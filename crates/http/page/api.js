// Asking the recorder, and asking it to do something. What it refuses, it refuses in words.

const PATIENCE_MS = 15_000

/** A request that was refused or not answered, in a sentence for a person. */
export class Refused extends Error {
  /** @param {string} words @param {number} status zero where no answer came */
  constructor(words, status) {
    super(words)
    this.status = status
  }
}

/** @type {(() => void)[]} */ const strangers = []

/** @param {() => void} then told when the recorder asks who we are */
export const onStranger = (then) => strangers.push(then)

/** The recorder asks who we are. */
export function tellStranger() {
  for (const tell of strangers) tell()
}

/** @param {string} path @param {AbortSignal} [signal] @param {number} [patience] ms; 0 waits for as long as it takes */
export async function ask(path, signal, patience = PATIENCE_MS) {
  const signals = [...(signal ? [signal] : []), ...(patience ? [AbortSignal.timeout(patience)] : [])]
  return answered(fetch(path, { signal: AbortSignal.any(signals) }))
}

/** The answer as the recorder describes it. @template {string} Path @param {Path} path @returns {Promise<import('./types').AnswerOf<Path>>} */
export const askJson = async (path) => (await ask(path)).json()

/** @param {'POST' | 'PATCH' | 'DELETE'} method @param {string} path @param {unknown} [body] @returns {Promise<unknown>} the answer */
export async function send(method, path, body = {}) {
  const headers = { 'content-type': 'application/json' }
  const answer = await answered(fetch(path, { method, headers, body: JSON.stringify(body), signal: AbortSignal.timeout(40_000) }))
  const text = await answer.text()
  return text ? JSON.parse(text) : null
}

/** @param {Promise<Response>} request */
async function answered(request) {
  const response = await request.catch((error) => {
    if (error.name === 'AbortError') throw error
    throw new Refused(error.name === 'TimeoutError' ? 'The recorder did not answer in time.' : 'The recorder could not be reached.', 0)
  })
  if (response.ok) return response
  if (response.status === 401) tellStranger()
  const problem = await response.json().catch(() => ({}))
  throw new Refused(problem.detail ?? `The recorder answered ${response.status}.`, response.status)
}

/** An error's own words, as a sentence. @param {unknown} error */
export function reason(error) {
  const text = error instanceof Error ? error.message : String(error)
  return /[.!?]$/.test(text) ? text : `${text}.`
}
