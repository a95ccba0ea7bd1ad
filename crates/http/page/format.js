// Numbers, lengths of time and clocks: every figure that a person reads is written here.

/** Without a stated uncertainty nothing finer is shown, SI: no instrument here knows better, and the
 * digits would only flicker. */
const FINEST = /** @type {Record<string, number>} */ ({ velocity: 0.01, temperature: 0.1, temperature_difference: 0.1, humidity: 0.001, ratio: 0.001, volume_flow: 1 / 3600, power: 100 })

/**
 * How many decimals a channel's numbers get. An expanded uncertainty is written with two digits where
 * it begins with 1 or 2, else with one; where none is stated, the last decimal is worth a count at least.
 *
 * @param {{u: number | null, resolution: number | null, kind: string}} channel uncertainty and count in SI
 * @param {number} scale SI times this is the unit shown
 */
export function decimals({ u, resolution, kind }, scale) {
  const size = Math.abs(scale)
  if (u) {
    const digits = u * size
    const power = Math.floor(Math.log10(digits) + 1e-9)
    return clamp((digits / 10 ** power < 2.95 ? 1 : 0) - power)
  }
  const step = Math.max(resolution ?? 0, FINEST[kind] ?? 0)
  return step ? clamp(Math.floor(-Math.log10(step * size) + 1e-9)) : 2
}

const clamp = (/** @type {number} */ places) => Math.min(4, Math.max(0, places))

let mark = '.'

/** From now on numbers have this decimal mark. @param {string} decimal */
export function writeNumbers(decimal) {
  mark = decimal
}

/** A number with a true minus, no minus before zero, and thin blanks from five digits on.
 * @param {number} value @param {number} places */
export function number(value, places) {
  if (!Number.isFinite(value)) return '–'
  const text = Math.abs(value).toFixed(places)
  const sign = value < 0 && Number(text) !== 0 ? '−' : ''
  const [whole, fraction] = text.split('.')
  const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, '\u202f') : whole
  return sign + grouped + (fraction ? mark + fraction : '')
}

/** A value with its expanded uncertainty, both to the digits that the uncertainty has. @param {number} value @param {number} expanded */
export function known(value, expanded) {
  const places = decimals({ u: expanded, resolution: null, kind: '' }, 1)
  return `${number(value, places)} ± ${number(expanded, places)}`
}

/** A count, with thin blanks. @param {number} count */
export const count = (count) => number(count, 0)

/** Powers of ten, as disks are sold (IEC 80000-13). @param {number} size */
export function bytes(size) {
  const names = ['bytes', 'kB', 'MB', 'GB', 'TB']
  const power = Math.min(names.length - 1, Math.max(0, Math.floor(Math.log10(Math.max(1, size)) / 3)))
  const value = size / 1000 ** power
  return `${number(value, power && value < 100 ? 1 : 0)} ${names[power]}`
}

/** How long something lasts, in at most two units. @param {number} ms */
export function length(ms) {
  const seconds = Math.max(0, Math.round(ms / 1000))
  if (ms < 1000) return 'under 1 s'
  const units = /** @type {[string, number][]} */ ([['d', 86400], ['h', 3600], ['min', 60], ['s', 1]])
  const first = units.findIndex(([, size]) => seconds >= size)
  const [[name, size], smaller] = [units[first], units[first + 1]]
  const rest = smaller ? Math.floor((seconds % size) / smaller[1]) : 0
  return `${Math.floor(seconds / size)} ${name}${rest ? ` ${rest} ${smaller[0]}` : ''}`
}

/** How old a value is; nothing where it is fresh. @param {number} ms */
export const age = (ms) => (ms >= 2000 ? `${length(Math.floor(ms / 1000) * 1000)} old` : '')

/**
 * The laboratory's clock, whatever zone the reader's machine is in.
 *
 * @param {string} zone IANA name
 */
export function clock(zone) {
  const timeZone = isKnown(zone) ? zone : 'UTC'
  const fields = new Intl.DateTimeFormat('en-GB', {
    timeZone, hourCycle: 'h23', year: 'numeric', month: '2-digit', day: '2-digit', hour: '2-digit', minute: '2-digit', second: '2-digit',
  })
  const named = new Intl.DateTimeFormat('en-GB', { timeZone, timeZoneName: 'longOffset' })
  const parts = (/** @type {number} */ at) => Object.fromEntries(fields.formatToParts(at).map((part) => [part.type, part.value]))
  const date = (/** @type {number} */ at) => { const p = parts(at); return `${p.year}-${p.month}-${p.day}` }
  const time = (/** @type {number} */ at) => { const p = parts(at); return `${p.hour}:${p.minute}:${p.second}` }
  /** @type {Map<number, number>} */ const known = new Map()
  /** Minutes east of UTC. @param {number} at */
  const east = (at) => {
    const quarter = Math.floor(at / 900_000)
    let minutes = known.get(quarter)
    if (minutes === undefined) {
      const name = named.formatToParts(at).find((part) => part.type === 'timeZoneName')?.value ?? ''
      const [, sign, hours, rest] = /GMT([+-])(\d\d):(\d\d)/.exec(name) ?? ['', '+', '0', '0']
      minutes = (sign === '-' ? -1 : 1) * (60 * Number(hours) + Number(rest))
      if (known.size > 2000) known.clear()
      known.set(quarter, minutes)
    }
    return minutes
  }
  return {
    date,
    time,
    east,
    /** Hours and minutes. @param {number} at */
    minute: (at) => time(at).slice(0, 5),
    /** Day and month, such as 25 Nov. @param {number} at */
    day: (at) => { const [, month, day] = date(at).split('-'); return `${Number(day)} ${MONTHS[Number(month) - 1]}` },
    /** RFC 3339 with the zone's offset. @param {number} at */
    stamp(at) {
      const minutes = Math.abs(east(at))
      const pad = (/** @type {number} */ value) => String(value).padStart(2, '0')
      const millis = String(Math.round(at) % 1000).padStart(3, '0')
      return `${date(at)}T${time(at)}.${millis}${east(at) < 0 ? '-' : '+'}${pad(Math.floor(minutes / 60))}:${pad(minutes % 60)}`
    },
    /** The offset from UTC, such as UTC+1. @param {number} at */
    offset(at) {
      const name = named.formatToParts(at).find((part) => part.type === 'timeZoneName')?.value ?? 'GMT'
      return name.replace('GMT', 'UTC').replace(/[+-]00:00$/, '').replace(/([+-])0?(\d+)(?::00)?/, '$1$2').replace('-', '−')
    },
    /** The time, with the date where it is not today's. @param {number} at @param {number} now */
    when: (at, now) => (date(at) === date(now) ? time(at) : `${date(at)} ${time(at)}`),
  }
}

const MONTHS = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec']

/** @param {string} zone */
function isKnown(zone) {
  try {
    return Boolean(new Intl.DateTimeFormat('en-GB', { timeZone: zone }))
  } catch {
    return false
  }
}
