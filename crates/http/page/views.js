// Which view is shown: the address says it, so that a link or a mail leads to the same place.

import { $ } from './dom.js'

/** @typedef {{show?: (query: URLSearchParams) => void, hide?: () => void}} View */

export class Views {
  /** @type {Record<string, View>} */ #views = {}
  #names = [...document.querySelectorAll('#views a')].map((link) => link.getAttribute('href')?.slice(1) ?? '')
  /** The view that is shown. */
  name = ''

  /** @param {Record<string, View>} views by the names in the address */
  begin(views) {
    this.#views = views
    addEventListener('hashchange', () => this.#arrive(true))
    this.#arrive(false)
  }

  /** Leads to another view. @param {string} part of the address, such as `over-time?span=60` */
  go(part) {
    location.hash = part
  }

  /** The same view shows something else; no step back is made of it. @param {string} part */
  replace(part) {
    history.replaceState(null, '', `#${part}`)
  }

  /** @param {boolean} isStep by the reader, whose focus then goes along */
  #arrive(isStep) {
    const [name, query] = location.hash.slice(1).split('?')
    if (name === 'view') return
    const known = this.#names.includes(name) ? name : this.#names[0]
    if (known !== this.name) this.#views[this.name]?.hide?.()
    // A question belongs to what it was asked beside.
    for (const dialog of isStep ? document.querySelectorAll('dialog') : []) dialog.close()
    const isOther = known !== this.name
    this.name = known
    for (const each of this.#names) $(each).hidden = each !== known
    for (const link of document.querySelectorAll('#views a')) {
      if (link.getAttribute('href') === `#${known}`) link.setAttribute('aria-current', 'page')
      else link.removeAttribute('aria-current')
    }
    document.body.dataset.view = known
    this.#views[known]?.show?.(new URLSearchParams(query ?? ''))
    if (isStep && isOther) {
      scrollTo(0, 0)
      $('view').focus({ preventScroll: true })
    }
  }
}
