// What a chart shows, as CSV: for a mail or a sheet. The record's own export has every sample.

/**
 * @typedef {object} Seen
 * @property {import('./span.js').Span} span
 * @property {import('./track.js').Track} track
 * @property {{name: string, writer: import('./units.js').Writer}[]} channels
 * @property {import('./scale.js').Clock} clock
 * @property {string[]} marks the words of the qualities
 */

/** A row per bucket in view, four columns per channel. Numbers have a point, whatever the reader chose. @param {Seen} seen */
export function csv({ span, track, channels, clock, marks }) {
  const heads = channels.flatMap(({ name, writer }) => ['mean', 'lowest', 'highest'].map((what) => `${name} ${what} (${writer.unit})`).concat(`${name} quality`))
  const rows = [['time', ...heads]]
  const [first, end] = [Math.max(0, track.bucket(span.from)), Math.min(track.n, track.bucket(span.to) + 1)]
  for (let bucket = first; bucket < end; bucket++) {
    const cells = channels.flatMap(({ name, writer }) => {
      const column = track.columns.get(name)
      const text = (/** @type {Float32Array | undefined} */ of) => written(of?.[bucket], writer)
      return [text(column?.mean), text(column?.lo), text(column?.hi), marks[column?.q[bucket] ?? marks.length - 1]]
    })
    rows.push([clock.stamp(track.t0 + bucket * track.dt), ...cells])
  }
  return rows.map((row) => row.map(quoted).join(',')).join('\r\n') + '\r\n'
}

/** @param {number | undefined} value @param {import('./units.js').Writer} writer */
function written(value, { to, places }) {
  return value === undefined || Number.isNaN(value) ? '' : to(value).toFixed(places)
}

/** RFC 4180, section 2. @param {string} text */
const quoted = (text) => (/[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text)
