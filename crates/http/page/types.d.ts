// The wire, as the modules read it. The contract itself is described by /openapi.json and tested in Rust.

export interface Channel {
  id: string; point: string; label: string; kind: string
  u: number | null; resolution: number | null
  unit: string; si_unit: string; scale: number; zero: number; basis: string | null
  us_unit: string; us_scale: number; us_zero: number
  period_ms: number; simulated: boolean
}
export interface Health {
  recording: boolean; trouble: string | null
  disk_free_gb: number; disk_days: number | null
  clock: string; clock_ms: number; missed_12h: number
}
export interface Hello {
  v: 1; boot: string; build: string; now: number; tz: string; site: string; title: string; cfg: string
  fps: number; stale_ms: number; quality: string[]; channels: Channel[]; last: ([number, number] | null)[]
  why: Record<string, string>; health: Health; resumed: boolean
}
export interface Frame {
  t: number; dt: number
  mean: (number | null)[]; lo: (number | null)[]; hi: (number | null)[]; n: number[]; q: string
}
export interface History {
  t0: number; dt: number; n: number; ch: string[]
  mean: Float32Array; lo: Float32Array; hi: Float32Array; q: Uint8Array
}

export interface Line {
  name: string; state: string; state_since: string | null
  ticks: number; late_ticks: number; retries: number; missed: Record<string, number>
  cycle_ms: number | null; wire_min_ms: number | null; good_at: string | null
  error: { at: string; text: string } | null
  sources: { name: string; misses_in_a_row: number; good_at: string | null; error: { at: string; text: string } | null }[]
}
export interface Gap { channel: string; from: string; to: string | null; cause: string; missed: number; detail: string }

/** How the page stands with the recorder. `since`: when that began; `heard`: when it last said anything. */
export interface Link { state: 'connecting' | 'live' | 'lost'; since: number; heard: number; retryAt: number; note: string }

export interface RunShort { id: number; name: string; state: string; since: string | null; until: string | null }
