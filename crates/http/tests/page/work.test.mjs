// What goes into a request and what is told of an answer, without a browser: `node --test`.

import assert from 'node:assert/strict'
import { readFileSync } from 'node:fs'
import test from 'node:test'
import { paired } from '../../page/agreement.js'
import { KINDS, parameters } from '../../page/asking.js'
import { shareOf } from '../../page/downloads.js'
import { bytes } from '../../page/format.js'
import { sentence, told } from '../../page/words.js'

test('a table’s share is that of the time in its last whole line', () => {
  const stretch = { from: Date.parse('2026-11-25T18:00:00Z'), to: Date.parse('2026-11-26T06:00:00Z') }
  assert.equal(shareOf('2026-11-25T20:59:59.5Z,1\r\n2026-11-25T21:00:00.000Z,2.5,ok\r\n2026-11-25T21:0', stretch), 0.25)
  assert.equal(shareOf('"2026-11-26T00:00:00Z";1\r\n', stretch), 0.5, 'whatever the separator')
  assert.equal(shareOf('2026-11-26T09:00:00Z,1\r\n', stretch), 1, 'never more than all')
  for (const tail of ['', 'time,value\r\n', 'no line ends here', '\r\n\r\n']) assert.equal(shareOf(tail, stretch), null, tail)
})

// IEC 80000-13: kilo, mega and giga are powers of ten.
test('sizes are those of disks', () => {
  for (const [size, words] of [[0, '0 bytes'], [999, '999 bytes'], [1000, '1.0 kB'], [1_550_000, '1.6 MB'], [271e9, '271 GB']]) assert.equal(bytes(size), words)
})

test('what is left empty is not asked, and lists are lists', () => {
  const { keys } = KINDS.mean
  assert.deepEqual(parameters(keys, { channels: ' a.velocity, b.velocity,,', within: '', from: '30 min', to: '' }), { channels: ['a.velocity', 'b.velocity'], from: '30 min' })
  for (const [kind, { keys }] of Object.entries(KINDS)) assert.equal(new Set(keys.map(({ name }) => name)).size, keys.length, kind)
})

test('what is asked are keys that the recorder knows', () => {
  const { $defs } = JSON.parse(readFileSync(new URL('../../../../docs/evaluation.schema.json', import.meta.url), 'utf8'))
  for (const [kind, { keys }] of Object.entries(KINDS)) {
    const known = new Set(['from', 'to', ...Object.keys($defs[`${kind[0].toUpperCase()}${kind.slice(1)}Ask`].properties)])
    assert.deepEqual(keys.map(({ name }) => name).filter((name) => !known.has(name)), [], kind)
  }
  assert.equal(Object.keys(KINDS).length, Object.keys($defs).filter((name) => /.Ask$/.test(name)).length, 'every kind')
})

test('a moment counts where both ways have it', () => {
  assert.deepEqual(paired([1, NaN, 3, 4], [1.5, 2, NaN, 4]), [[1, 1.5], [4, 4]])
})

test('the recorder’s words become sentences, and its names stay whole', () => {
  assert.equal(told('its scatter is s/√n_eff'), 'Its scatter is s/√n_eff.')
  assert.equal(told('samples carry the mark `simulated`.'), 'Samples carry the mark simulated.')
  assert.equal(told(' '), '')
  assert.equal(told('`evry` is not a key'), 'evry is not a key.')
  assert.equal(sentence('`evry_one` is not a known_key here'), 'evry_one is not a known key here')
  assert.equal(sentence('temperature_difference'), 'Temperature difference')
})
