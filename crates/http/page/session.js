// Who sits at this page: nobody has to say on the station's own machine; from elsewhere a token is asked for.

import { askJson, onStranger, send } from './api.js'
import { $, put } from './dom.js'
import { ask } from './forms.js'

/** @typedef {import('./types').Session} Session */

let isAsking = false

/** Finds out who we are, and asks for a token where one is needed. @param {() => void} then done after signing in */
export async function beginSession(then) {
  $('sign-in').addEventListener('click', () => void signIn(then))
  $('sign-out').addEventListener('click', async () => {
    await send('DELETE', '/api/v1/session')
    location.reload()
  })
  onStranger(() => void know())
  await know()
}

async function know() {
  try {
    tell(await askJson('/api/v1/session'))
  } catch {
    // Without contact nobody can be asked; the page says so where it is said.
  }
}

/** @param {Session} session */
function tell({ role, token }) {
  document.body.dataset.role = role ?? 'none'
  $('sign-out').hidden = token === null
  $('sign-in').hidden = token !== null
  put($('who'), token ? `Signed in as ${token}, ${role === 'operate' ? 'who may operate' : 'who may look'}.` : role ? 'On this machine nobody has to sign in.' : 'Not signed in.')
  if (role === null) void signIn(() => location.reload())
}

/** @param {() => void} then */
async function signIn(then) {
  if (isAsking) return
  isAsking = true
  const isDone = await ask({
    title: 'Sign in',
    words: 'From beyond its own machine this station asks for a token. Whoever runs it makes one with “zonda token add”. It is kept in a cookie that no script can read, for a month.',
    fields: [{ name: 'token', label: 'Token', needed: true, secret: true }],
    confirm: 'Sign in',
    act: async ({ token }) => tell(/** @type {Session} */ (await send('POST', '/api/v1/session', { token }))),
  })
  isAsking = false
  if (isDone) then()
}
