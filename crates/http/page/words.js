// The words of the contract, as words for people.

/** What a number is worth: its name, and what that means. The keys are those of `hello.quality`. */
export const QUALITY = /** @type {Record<string, {name: string, means: string}>} */ ({
  ok: { name: 'OK', means: 'Fresh, and nothing speaks against it.' },
  suspect: { name: 'Suspect', means: 'A number to look at twice. The reason stands beside it.' },
  under: { name: 'Under range', means: 'Below what the instrument can measure here. The number is an extrapolation.' },
  over: { name: 'Over range', means: 'Above what the instrument can measure here. The number is an extrapolation.' },
  fault: { name: 'Fault', means: 'The signal says that there is no measurement, such as an open loop. No number is shown.' },
  stale: { name: 'Stale', means: 'Nothing new has come for three ticks. The number is the last one that came; its age stands beside it.' },
  off: { name: 'Off', means: 'Switched off in the configuration.' },
  none: { name: 'No data', means: 'Nothing has come since the recorder was started.' },
})

/** The gravest first: in this order the top of the page names what needs a look. */
export const GRAVEST = ['fault', 'none', 'stale', 'over', 'under', 'suspect']

/** The marks as the end of a sentence: for one channel, for several. */
export const PREDICATE = /** @type {Record<string, [string, string]>} */ ({
  fault: ['has a fault', 'have a fault'],
  none: ['has no data yet', 'have no data yet'],
  stale: ['is stale', 'are stale'],
  over: ['is over range', 'are over range'],
  under: ['is under range', 'are under range'],
  suspect: ['is suspect', 'are suspect'],
})

/** Why there are no samples. The keys are the record's own words. */
export const CAUSE = /** @type {Record<string, string>} */ ({
  timeout: 'No answer in time',
  no_answer: 'Silent for long',
  bad_frame: 'Garbled answer',
  device_error: 'The device refused',
  unplugged: 'Port or connection gone',
  disk_stalled: 'The disk took nothing',
  daemon_stopped: 'The recorder was not running',
  clock_stepped: 'The clock was set',
  disabled: 'Switched off',
  overrun: 'No time for the tick',
  mismatch: 'Not the device it should be',
})

/** How a line does: its name, and whether somebody should look. */
export const LINE = /** @type {Record<string, {name: string, isWell: boolean}>} */ ({
  waiting: { name: 'Waiting for its port', isWell: false },
  open: { name: 'Open, no answer yet', isWell: false },
  answering: { name: 'Answering', isWell: true },
  partly: { name: 'Partly answering', isWell: false },
  silent: { name: 'Silent', isWell: false },
  stopped: { name: 'Stopped', isWell: false },
})

/** How a run stands. The keys are the record's own words. */
export const RUN = /** @type {Record<string, string>} */ ({
  planned: 'Planned',
  waiting: 'Waiting',
  running: 'Running',
  ended: 'Ended',
  withdrawn: 'Called off',
  missed: 'Missed',
  discarded: 'Discarded',
})

/** `temperature_difference` as two words, with a capital. What stands in backticks is a name: it stays as it is, without them.
 * @param {string} word */
export function sentence(word) {
  const words = word.split('`').map((part, index) => (index % 2 ? part : part.replaceAll('_', ' '))).join('')
  return word.startsWith('`') ? words : words.charAt(0).toUpperCase() + words.slice(1)
}

/** What the recorder says for people, with a capital and a stop; its words in backticks stand as they are. @param {string} words */
export function told(words) {
  const plain = words.trim().replaceAll('`', '')
  const first = words.trim().startsWith('`') ? plain.charAt(0) : plain.charAt(0).toUpperCase()
  return plain && first + plain.slice(1) + (/[.!?:]$/.test(plain) ? '' : '.')
}

/** `1 channel`, `2 channels`. @param {number} number @param {string} one @param {string} [more] */
export const many = (number, one, more = `${one}s`) => `${number} ${number === 1 ? one : more}`

/** As many as a reader takes in, and how many more. @param {string[]} items @param {number} most */
export const some = (items, most) => (items.length > most + 1 ? `${items.slice(0, most).join(', ')} and ${items.length - most} more` : list(items))

/** `a`, `a and b`, `a, b and c`. @param {string[]} items */
export function list(items) {
  return items.length < 2 ? items.join('') : `${items.slice(0, -1).join(', ')} and ${items[items.length - 1]}`
}
