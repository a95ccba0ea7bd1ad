// Makes page/described.d.ts: the types of the recorder's answers, from its own description (/openapi.json, on standard
// input). Only what page/types.d.ts names, with all that it is made of. `node types.mjs --write` writes the file;
// without it the file is held against the description.

import { readFileSync, writeFileSync } from 'node:fs'
import openapiTS, { astToString } from 'openapi-typescript'

const folder = new URL('../../page/', import.meta.url)
const file = new URL('described.d.ts', folder)
const parts = []
for await (const part of process.stdin) parts.push(part)
const { openapi, info, components } = JSON.parse(Buffer.concat(parts).toString())
const named = [...readFileSync(new URL('types.d.ts', folder), 'utf8').matchAll(/Of<'(\w+)'>/g)].map(([, name]) => name)

/** With every schema that these refer to. */
function closure(names) {
  const found = new Set()
  const left = [...names]
  for (let name = left.pop(); name; name = left.pop()) {
    if (found.has(name)) continue
    if (!components.schemas[name]) throw new Error(`types.d.ts names ${name}, which the recorder does not describe`)
    found.add(name)
    for (const [, other] of JSON.stringify(components.schemas[name]).matchAll(/#\/components\/schemas\/(\w+)/g)) left.push(other)
  }
  return Object.fromEntries([...found].sort().map((name) => [name, components.schemas[name]]))
}

const made = astToString(await openapiTS({ openapi, info, paths: {}, components: { schemas: closure(named) } }, { exportType: false }))
const text = `// Made from /openapi.json by tests/page/types.mjs. Change the recorder, not this file.\n\n${made}`
if (process.argv.includes('--write')) writeFileSync(file, text)
else if (readFileSync(file, 'utf8') !== text) {
  process.stdout.write('page/described.d.ts is not what the recorder describes. Make it anew: WRITE_TYPES=1 cargo test -p zonda-http --test scripts types\n')
  process.exit(1)
}
