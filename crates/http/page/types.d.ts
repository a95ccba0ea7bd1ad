// The wire, as the modules read it: described.d.ts is made from the recorder's own description of its answers
// (/openapi.json), and a test fails where it is not up to date.

import type { components } from './described'

/** Optional in the description means that it may be null; every answer has every key. */
type Answer<T> = T extends (infer U)[] ? Answer<U>[] : T extends object ? { [K in keyof T]-?: Answer<T[K]> } : T
type Of<Name extends keyof components['schemas']> = Answer<components['schemas'][Name]>

/** What is answered at each address that the modules read; a test holds it against the description. */
interface Answers {
  '/api/v1/agreement': Of<'Agreements'>
  '/api/v1/configuration': Of<'Configuration'>
  '/api/v1/corrections': Of<'Corrections'>
  '/api/v1/events': Of<'Events'>
  '/api/v1/gaps': Of<'Gaps'>
  '/api/v1/layouts': Of<'Layouts'>
  '/api/v1/lines': Of<'Lines'>
  '/api/v1/loopchecks': Of<'LoopChecks'>
  '/api/v1/meters': Of<'Meters'>
  '/api/v1/prestart': Of<'Prestart'>
  '/api/v1/runs': Of<'RunList'>
  '/api/v1/runs/{id}': Of<'ShownRun'>
  '/api/v1/runs/{id}/evaluations': Of<'Outcomes'>
  '/api/v1/runs/{id}/traverse': Of<'ShownTraverse'>
  '/api/v1/session': Of<'Session'>
  '/api/v1/station': Of<'Station'>
  '/api/v1/templates': Of<'Templates'>
}

/** An address as the description has it: without what is asked, and without the run's number. */
type Described<Path extends string> =
  Path extends `${infer Bare}?${string}` ? Described<Bare>
  : Path extends `/api/v1/runs/${string}/${infer Part}` ? `/api/v1/runs/{id}/${Part}`
  : Path extends `/api/v1/runs/${string}` ? '/api/v1/runs/{id}'
  : Path

/** What is answered at an address. */
export type AnswerOf<Path extends string> = Described<Path> extends keyof Answers ? Answers[Described<Path>] : unknown

export type Channel = Of<'StreamChannel'>
export type Health = Of<'Health'>
export type Hello = Omit<Of<'Hello'>, 'last'> & { last: ([number, number] | null)[] }
export type Frame = Of<'Frame'>
export type Line = Of<'Line'>
export type Gap = Of<'Gap'>
export type RunShort = Of<'Run'>
export type Run = Of<'ShownRun'>
export type Traverse = Of<'ShownTraverse'>
export type TraversePoint = Of<'ShownPoint'>
export type AgreementPair = Of<'Pair'>
export type Layout = Of<'ShownLayout'>
export type Meter = Of<'Meter'>
export type Envelope = Of<'ShownEnvelope'>
export type Certificate = Of<'ShownCertificate'>
export type Station = Of<'Station'>
export type Event = Of<'Event'>
export type Configuration = Of<'Configuration'>
export type Template = Of<'Template'>
export type Session = Of<'Session'>
export type CorrectionAnswer = Of<'CorrectionAnswer'>
export type Correction = Of<'CorrectionRow'>
export type Changes = Of<'Changes'>
export type Finding = Of<'Found'>
export type LoopCheck = Of<'Recorded'>
export type LoopPoint = Of<'LoopPoint'>
export type LoopCheckUnderWay = Of<'UnderWay'>
export type Evaluation = Of<'Evaluated'>
export type Outcome = Of<'Outcome'>
export type Figure = Of<'Figure'>
export type Verdict = Of<'Judged'>
export type Mistake = Of<'Mistake'>

/** The columns of a history, as they come in one piece: head, means, lows, highs, marks. */
export interface History {
  t0: number; dt: number; n: number; ch: string[]
  mean: Float32Array; lo: Float32Array; hi: Float32Array; q: Uint8Array
}

/** How the page stands with the recorder. `since`: when that began; `heard`: when it last said anything. */
export interface Link { state: 'connecting' | 'live' | 'lost'; since: number; heard: number; retryAt: number; note: string }
