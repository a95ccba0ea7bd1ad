// Made from /openapi.json by tests/page/types.mjs. Change the recorder, not this file.

export type paths = Record<string, never>;
export type webhooks = Record<string, never>;
export interface components {
    schemas: {
        /** @description `agreement`: whether two channels say the same of the same thing. */
        AgreementAsk: {
            /** @description The other, such as the same meter's text line. */
            against: string;
            /** @description One channel, such as a meter's analog output. */
            channel: string;
            /** @description How far apart their means may be, such as `0.1 m/s`. */
            within?: string | null;
        };
        /** @description Every quantity that a meter says both ways, in the order of the configuration. */
        Agreements: {
            pairs: components["schemas"]["Pair"][];
        };
        /** @description An evaluation that is asked for. */
        Ask: components["schemas"]["Question"] & components["schemas"]["Basics"];
        /** @description A band of an envelope. */
        Band: {
            /**
             * Format: double
             * @description From this temperature on, °C …
             */
            from: number;
            /**
             * Format: double
             * @description … to below this one, °C; the last band includes it.
             */
            to: number;
            /**
             * Format: double
             * @description The highest velocity believed, m/s.
             */
            velocity_max: number;
            /**
             * Format: double
             * @description The lowest velocity believed, m/s.
             */
            velocity_min: number;
        };
        /** @description What every ask may say. */
        Basics: {
            /**
             * @description Flags that do not keep a reading out; by default only readings against which nothing speaks are used.
             * @example [
             *       "calibration_overdue"
             *     ]
             */
            allow?: string[];
            /**
             * Format: double
             * @description The share of the stretch that used readings must speak for, above 0, at most 1; 0.9 by default.
             */
            coverage_min?: number | null;
            /**
             * @description From when on: `30 min` after the run began, `-30 min` before it ended, or a time with its offset; the
             *     run's beginning by default.
             * @example 30 min
             */
            from?: string | null;
            /** @description What it is called in tables and reports; its kind where it has no name. */
            name?: string | null;
            /**
             * @description The rule by which a result is within its limits: `simple`, `guarded` (default) or `probable 95 %`.
             * @example guarded
             */
            rule?: string | null;
            /**
             * @description Up to, not including, when; the run's end by default.
             * @example 2026-11-25T22:00:00Z
             */
            to?: string | null;
            /**
             * @description How small U should be, such as `0.5 K`: said of every result in that unit, so that a run can end when it is enough.
             * @example 0.5 K
             */
            uncertainty_max?: string | null;
        };
        /** @description What makes up an uncertainty. */
        Budget: {
            /** @description Causes of doubt that are there, but of which nobody has said how large they are: u is too small by that. */
            omitted: components["schemas"]["Cause"][];
            /** @description Its lines. */
            rows: components["schemas"]["Row"][];
        };
        /** @description A cause of doubt. */
        Cause: {
            /** @description Whose. */
            of: string;
            /** @description What it comes from. */
            what: string;
        };
        /** @description A point of a certificate. */
        CertificatePoint: {
            /**
             * Format: double
             * @description Its coverage factor.
             */
            k: number;
            /**
             * Format: double
             * @description What the instrument read.
             */
            reading: number;
            /**
             * Format: double
             * @description What the reference stood at.
             */
            reference: number;
            /**
             * Format: double
             * @description The expanded uncertainty of the comparison.
             */
            uncertainty: number;
        };
        /** @description What would change about a channel. */
        Changes: {
            /** @description As it would be. */
            after: components["schemas"]["Values"];
            /** @description As it is. */
            before: components["schemas"]["Values"];
            /**
             * Format: int64
             * @description Those that would change.
             */
            changed: number;
            /** @description Which. */
            channel: string;
            /**
             * Format: int64
             * @description Samples in the stretch.
             */
            samples: number;
            /** @description The unit of the values, SI. */
            unit: string;
        };
        /** @description A loop check that was in force when a run began. */
        CheckInForce: {
            /** @description When it was done. */
            at: string;
            channel: string;
            /** @description Its hash, which the seal covers. */
            hash: string;
            /**
             * Format: int64
             * @description Its number under `/api/v1/loopchecks`.
             */
            id: number;
            /** @description Whether every error was within the tolerance. */
            passed: boolean;
        };
        /** @description The configuration in force, and the file on the disk. */
        Configuration: {
            /** @description The file that it was read from; `null` where there was none. */
            file?: string | null;
            /** @description Hash of the configuration in force. */
            in_force: string;
            /** @description What the check finds in the file as it is now. */
            mistakes: components["schemas"]["Mistake"][];
            /**
             * @description Of the file now: `same`; `changed`, and in force from the next start on; `wrong`, and a start
             *     would be refused; `gone`; `null` where there was no file.
             */
            standing?: string | null;
            /** @description Its text. */
            text: string;
        };
        /** @description A correction of the record. */
        Correction: {
            /** @description When it was made. */
            at: string;
            /** @description By whom. */
            by: string;
            /** @description Of which channel. */
            channel: string;
            /**
             * Format: int64
             * @description Its number.
             */
            id: number;
            /** @description Why. */
            reason: string;
        };
        /** @description What became of a correction, or would become of it. */
        CorrectionAnswer: {
            correction?: components["schemas"]["CorrectionRow"] | null;
            /**
             * @description What would change, first the channel itself and then those that are judged by it; `null`
             *     unless it was asked for.
             */
            preview?: components["schemas"]["Changes"][] | null;
        };
        /** @description A correction, or the taking back of one. */
        CorrectionRow: {
            /** @description When it was asked for, true UTC. */
            at: string;
            /** @description Who said so. */
            by: string;
            /** @description The channel. */
            channel: string;
            /** @description Samples before this are done. */
            done_to: string;
            /** @description From when on, true UTC. */
            from: string;
            /**
             * Format: int64
             * @description Its number.
             */
            id: number;
            /** @description The mapping; of a taking back empty. */
            mapping: string;
            /** @description Why. */
            reason: string;
            /**
             * Format: int64
             * @description Samples whose earlier value and flags are kept.
             */
            samples: number;
            /**
             * Format: double
             * @description How far it is, 0 to 1.
             */
            share: number;
            /** @description `done`, `under_way`, `undone`; of a taking back `done` or `under_way`. */
            state: string;
            /** @description Up to when (not included). */
            to: string;
            /**
             * Format: int64
             * @description The correction that this one takes back.
             */
            undoes?: number | null;
            /**
             * Format: int64
             * @description The one that took this one back.
             */
            undone_by?: number | null;
        };
        /** @description Every correction, oldest first. */
        Corrections: {
            corrections: components["schemas"]["CorrectionRow"][];
        };
        /** @description An evaluation that was asked of a run, with what came of it. */
        Evaluated: components["schemas"]["ShownEvaluation"] & {
            /**
             * Format: double
             * @description How many seconds ago the answer was worked out. That of a run that goes on is kept up to date, more often in its first minutes and
             *     every 30 s later, or as often as a twentieth of a core allows.
             */
            age_s?: number | null;
            outcome?: components["schemas"]["Outcome"] | null;
            /**
             * Format: double
             * @description How far the next answer is, 0 to 1; `null` where none is being worked out.
             */
            progress?: number | null;
            /**
             * @description Whether the coverage and the uncertainty that were asked for are reached by now; `null` where none was asked for or there is no
             *     outcome.
             */
            reached?: boolean | null;
            /** @description When they were for the first time while the run went on. */
            reached_at?: string | null;
            /** @description Why nothing came of it, in a sentence. */
            refused?: string | null;
            /** @description `working` until there is a first answer, then `answered` or `refused`. */
            state: string;
            /** @description What it is called: its name, or its kind. */
            title: string;
        };
        /** @description Evaluations asked of a run, in the order of asking. */
        Evaluations: {
            evaluations: components["schemas"]["ShownEvaluation"][];
        };
        /** @description Something that happened. */
        Event: {
            /** @description When, true UTC. */
            at: string;
            /**
             * Format: int64
             * @description Its number; later events have higher ones.
             */
            id: number;
            /** @description A word for programs. */
            kind: string;
            /** @description `info`, `warning` or `alarm`. */
            severity: string;
            /** @description What it is about. */
            subject: string;
            /** @description One sentence. */
            text: string;
        };
        /** @description A page of events, newest first. */
        Events: {
            events: components["schemas"]["Event"][];
            /**
             * Format: int64
             * @description `before` of the next page; `null` on the last.
             */
            next?: number | null;
        };
        /** @description A result. */
        Figure: {
            /** @description When, of an extreme. */
            at?: string | null;
            /** @description What a velocity or flow is one of. */
            basis?: string | null;
            budget?: components["schemas"]["Budget"] | null;
            /** @description What is meant by it. */
            definition: string;
            /**
             * Format: double
             * @description Effective degrees of freedom; none where they are infinite or there is no u.
             */
            dof?: number | null;
            /**
             * Format: double
             * @description Expanded uncertainty U at 95.45 % (k = 2 with many degrees of freedom), in the same unit.
             */
            expanded?: number | null;
            /**
             * Format: double
             * @description The coverage factor of U.
             */
            k?: number | null;
            /** @description What it is, such as `mean`, `gradient`, `volume flow`. */
            name: string;
            /** @description Why there is no value, or what speaks against it. */
            note?: string | null;
            /** @description Of what: a channel, or the name of a point. */
            of?: string | null;
            /** @description Where, of an extreme: the name of the point. */
            place?: string | null;
            /** @description The unit of `stated`. */
            shown_in: string;
            /** @description Value, U and k for people, in the unit in which it is shown. */
            stated: string;
            /**
             * Format: double
             * @description Standard uncertainty, k = 1, in the unit of differences of `unit`; none where nothing can be said of it.
             */
            u?: number | null;
            /** @description Its unit: SI. */
            unit: string;
            /**
             * Format: double
             * @description The value in `unit`; none where it was refused or there is none.
             */
            value?: number | null;
        };
        /** @description What an outcome was worked out from, and by what. */
        Footing: {
            /** @description Hashes of the configurations in force over the stretch, in order; the last one's uncertainties were used. */
            configs: string[];
            /**
             * Format: int64
             * @description The number of the newest correction then.
             */
            correction?: number | null;
            /** @description The program's version. */
            program: string;
            seal?: components["schemas"]["Seal"] | null;
        };
        /** @description One line of its table. */
        Found: {
            /** @description `line`, `device`, `reading`, `probe`, `certificate`, `loop check`, `disk`, `clock` or `access`. */
            aspect: string;
            /** @description `fine`; `look`: somebody should, and the night can begin; `wrong`: data will be missing or not to be believed. */
            state: string;
            /** @description Which one, or which ones. */
            subject: string;
            /** @description What to do; empty where nothing is. */
            todo: string;
            /** @description What is the case. */
            what: string;
        };
        /** @description What is sent `fps` times a second. The arrays follow the order of `hello.channels`. */
        Frame: {
            /**
             * Format: int64
             * @description Its length, ms.
             */
            dt: number;
            /** @description The highest of them. */
            hi: (number | null)[];
            /** @description The lowest of them. */
            lo: (number | null)[];
            /** @description Mean of the usable samples, SI; `null` without any. */
            mean: (number | null)[];
            /** @description How many they were. A fault's number is not one of them. */
            n: number[];
            /** @description One digit per channel: the worst [`Mark`] of the frame. */
            q: string;
            /**
             * Format: int64
             * @description Its end, ms since 1970 UTC.
             */
            t: number;
        };
        /** @description A stretch without samples. */
        Gap: {
            /** @description Why. */
            cause: string;
            /** @description The channel. */
            channel: string;
            /** @description One sentence, or nothing. */
            detail: string;
            /** @description The first tick without a sample, true UTC. */
            from: string;
            /**
             * Format: int64
             * @description Ticks without a sample.
             */
            missed: number;
            /** @description The first sample after it; `null` while it lasts. */
            to?: string | null;
        };
        /** @description A page of gaps, by their beginning. */
        Gaps: {
            gaps: components["schemas"]["Gap"][];
            /** @description `after` of the next page; `null` on the last. */
            next?: string | null;
        };
        /** @description How the station does. */
        Health: {
            /** @description `in step`, or `ahead of UTC` while the record's axis waits for the clock to catch up. */
            clock: string;
            /**
             * Format: int64
             * @description How far the record's axis is ahead of UTC, ms.
             */
            clock_ms: number;
            /**
             * Format: double
             * @description Days until it is full, at the configured rate.
             */
            disk_days?: number | null;
            /**
             * Format: double
             * @description Free on the record's disk, 10⁹ bytes.
             */
            disk_free_gb: number;
            /**
             * Format: int64
             * @description Ticks without a sample in the gaps of the last twelve hours.
             */
            missed_12h: number;
            /** @description Whether what is measured reaches the disk. */
            recording: boolean;
            /** @description Why not, in a sentence. */
            trouble?: string | null;
        };
        /** @description `heat`: what heat exhaust air carries away. */
        HeatAsk: {
            /** @description The humidity of the exhaust air; that of the air that came in by default. */
            exhaust_humidity?: string | null;
            /** @description The humidity of the air that came in: `dry` (default), `8 g/kg`, `50 % at 23 °C`, `dew point 12 °C`. */
            humidity?: string | null;
            /** @description The temperature at which the air came in: a channel, or an amount. */
            inlet: string;
            /** @description The layout of the duct; that of the run by default. */
            layout?: string | null;
            /** @description The absolute pressure in the duct: a channel of a barometer, or an amount such as `98.2 kPa`. */
            pressure: string;
            /** @description The temperature in the duct, where the layout's points read none: a channel, or an amount. */
            temperature?: string | null;
            /** @description Between which limits the heat should be, such as `30-40 kW`. */
            within?: string | null;
        };
        /** @description The first event of every connection. Times are ms since 1970 UTC, numbers SI. */
        Hello: {
            alarms: Record<string, never>[];
            boot: string;
            build: string;
            cfg: string;
            channels: components["schemas"]["StreamChannel"][];
            /** Format: int64 */
            fps: number;
            health: components["schemas"]["Health"];
            /** @description The last time and number of each channel. */
            last: (number[] | null)[];
            /** Format: int64 */
            now: number;
            plan?: Record<string, never> | null;
            quality: string[];
            resumed: boolean;
            run?: Record<string, never> | null;
            runs: Record<string, never>[];
            site: string;
            /** Format: int64 */
            stale_ms: number;
            title: string;
            tz: string;
            /** Format: int32 */
            v: number;
            why: {
                [key: string]: string;
            };
        };
        /** @description A channel that went in. */
        Input: {
            /** @description What a velocity or volume flow is one of, such as `actual`; `basis not stated` where nobody said; none of other quantities. */
            basis?: string | null;
            /** @description Its certificates over the stretch, by their numbers. */
            certificate?: string | null;
            /** @description The channel. */
            channel: string;
            /** @description The versions of its mapping in force over the stretch. */
            mappings: number[];
            /**
             * Format: double
             * @description How often it is sampled, s.
             */
            period_s: number;
            /** @description Where it stands: the name or number of its point in the layout. */
            point?: string | null;
            /** @description What it measures. */
            quantity: string;
            /** @description The unit in which it is shown to people. */
            shown_in: string;
            /** @description What it was made of. */
            tally: components["schemas"]["Tally"];
            /** @description The unit of its numbers here. */
            unit: string;
        };
        /** @description A stretch in which nobody recorded. */
        Interruption: {
            from: string;
            to: string;
        };
        /** @description Whether a result is within its limits. */
        Judged: {
            /**
             * Format: double
             * @description The upper limit.
             */
            high?: number | null;
            /**
             * Format: double
             * @description The lower limit.
             */
            low?: number | null;
            /** @description What the rule says. */
            meaning: string;
            /** @description The rule: `simple`, `guarded`, `probable 95 %`. */
            rule: string;
            /** @description The unit of value and limits. */
            unit: string;
            /**
             * Format: double
             * @description Its value, in `unit`.
             */
            value: number;
            /** @description What came of it. */
            verdict: components["schemas"]["Ruling"];
            /** @description Which result. */
            what: string;
        };
        /** @description A value with its standard uncertainty (k = 1). */
        Known: {
            /** Format: double */
            u: number;
            /** Format: double */
            value: number;
        };
        /** @description Where the points of a layout are. */
        Layout: {
            /** @description `duct` or `zone`. */
            kind: string;
            /** @description Its name. */
            name: string;
            /** @description Its points, in order. */
            points: components["schemas"]["Point"][];
            /** @description The rule that placed a duct's points. */
            rule?: string | null;
            /** @description Its shape in words, with its sizes. */
            shape: string;
        };
        /** @description A point of a layout. */
        LayoutPoint: {
            /** @description What reads there; nothing where a probe is moved. */
            channels: string[];
            /** @description Its name; of a duct its number. */
            name: string;
            /**
             * Format: double
             * @description Right of the left edge, m.
             */
            x: number;
            /**
             * Format: double
             * @description Below the upper edge, m.
             */
            y: number;
        };
        /** @description The layouts, in the order of the configuration. */
        Layouts: {
            layouts: components["schemas"]["ShownLayout"][];
        };
        /** @description How a line does. Counts are since the start of the daemon. */
        Line: {
            /**
             * Format: double
             * @description How long the last round took, ms.
             */
            cycle_ms?: number | null;
            error?: components["schemas"]["LineError"] | null;
            /** @description When it last gave data, true UTC. */
            good_at?: string | null;
            /**
             * Format: int64
             * @description Ticks whose round was still going on when the next one began.
             */
            late_ticks: number;
            /**
             * Format: double
             * @description How late the latest tick began, ms.
             */
            lateness_max_ms: number;
            /**
             * Format: double
             * @description How late half of the ticks began at most, ms.
             */
            lateness_p50_ms: number;
            /**
             * Format: double
             * @description How late all but one in a thousand ticks began at most, ms.
             */
            lateness_p999_ms: number;
            /** @description Missed ticks of all sources, by cause; causes that never stood are left out. */
            missed: {
                [key: string]: number;
            };
            /** @description Its name. */
            name: string;
            /**
             * Format: int64
             * @description Times that the port or connection was opened.
             */
            opens: number;
            /**
             * Format: int64
             * @description Times that the line was brought back into step.
             */
            resyncs: number;
            /**
             * Format: int64
             * @description Requests repeated within their tick.
             */
            retries: number;
            /** @description The modules or the text line on it. */
            sources: components["schemas"]["LineSource"][];
            /** @description `waiting`, `open`, `answering`, `partly`, `silent` or `stopped`. */
            state: string;
            /** @description Since when, true UTC. */
            state_since?: string | null;
            /**
             * Format: int64
             * @description Ticks begun.
             */
            ticks: number;
            /**
             * Format: double
             * @description The least that the wire itself needs for it, ms; zero where it has no fixed speed.
             */
            wire_min_ms?: number | null;
        };
        /** @description Something that went wrong. */
        LineError: {
            /** @description When, true UTC. */
            at: string;
            /** @description One sentence. */
            text: string;
        };
        /** @description How a source on a line does. */
        LineSource: {
            error?: components["schemas"]["LineError"] | null;
            /** @description When it last gave data, true UTC. */
            good_at?: string | null;
            /**
             * Format: int64
             * @description Missed ticks since the last good one.
             */
            misses_in_a_row: number;
            /** @description Its name. */
            name: string;
        };
        /** @description The lines, in the order of the configuration. */
        Lines: {
            lines: components["schemas"]["Line"][];
        };
        /** @description Loop checks under way, and a page of recorded ones, newest first. */
        LoopChecks: {
            loop_checks: components["schemas"]["Recorded"][];
            /**
             * Format: int64
             * @description `before` of the next page; `null` on the last.
             */
            next?: number | null;
            under_way: components["schemas"]["UnderWay"][];
        };
        /** @description What a whole check says. */
        LoopOutcome: {
            /**
             * Format: double
             * @description The largest error with its sign, in per cent of the span.
             */
            error_max_percent: number;
            /** @description Found per applied; standard uncertainty. */
            gain: components["schemas"]["Known"];
            /** @description Offset at the beginning of the span, in per cent of it; standard uncertainty. */
            offset_percent: components["schemas"]["Known"];
            /** @description Every error is within the tolerance. */
            passed: boolean;
        };
        /** @description A point that was taken. */
        LoopPoint: {
            /** @description When, true UTC. */
            at: string;
            /**
             * Format: double
             * @description The same in the unit of the value; `null` where the value does not follow in a straight line.
             */
            error?: number | null;
            /**
             * Format: double
             * @description Found − target, in per cent of the span.
             */
            error_percent: number;
            /** @description Its unit. */
            error_unit?: string | null;
            /** @description What arrived; standard uncertainty. */
            found: components["schemas"]["Known"];
            /**
             * Format: double
             * @description Where it lies in the span, per cent.
             */
            percent: number;
            /**
             * Format: int64
             * @description Of how many samples.
             */
            samples: number;
            /**
             * Format: double
             * @description What was applied.
             */
            target: number;
            /** @description The unit of both. */
            unit: string;
        };
        /** @description `mean`: the mean of each channel over the stretch. */
        MeanAsk: {
            /** @description The channels; those of the run by default. */
            channels?: string[];
            /** @description Between which limits each mean should be, such as `195-205 °C`. */
            within?: string | null;
        };
        /** @description The electronics of an instrument, with its probe. */
        Meter: {
            /** @description Its name. */
            name: string;
            /** @description Its channels. */
            outputs: components["schemas"]["MeterOutput"][];
            probe?: components["schemas"]["Probe"] | null;
            /** @description The number of the probe whose characteristics it holds. */
            probe_number?: string | null;
            /** @description Its serial number. */
            serial?: string | null;
            /** @description True where the meter holds the characteristics of another probe than the one on it. */
            wrong_probe: boolean;
        };
        /** @description A channel of a meter. */
        MeterOutput: {
            /** @description Whether it can be proved by a loop check. */
            can_be_loop_checked: boolean;
            /** @description The certificate by which it is put right: its name in the configuration. */
            certificate?: string | null;
            /** @description Name of the channel. */
            channel: string;
            /** @description What it measures. */
            quantity: string;
            /** @description How it is heard: `analog`, `text`, `register` or `derived`. */
            way: string;
        };
        /** @description The instruments of the configuration. */
        Meters: {
            certificates: components["schemas"]["ShownCertificate"][];
            envelopes: components["schemas"]["ShownEnvelope"][];
            /** @description In the order of the configuration. */
            meters: components["schemas"]["Meter"][];
        };
        /** @description Something to put right in the file. */
        Mistake: {
            /** @description The column, from 1. */
            column: number;
            /** @description What would be right. */
            help?: string | null;
            /** @description The line, from 1. */
            line: number;
            /** @description What is wrong, in a sentence. */
            what: string;
        };
        /** @description A probe that was moved from point to point. */
        MovedProbe: {
            again?: components["schemas"]["PointVisit"] | null;
            /** @description The channel of its velocity. */
            channel: string;
            /** @description Of each point, by number, when it was read there. */
            visits: components["schemas"]["PointVisit"][];
        };
        /** @description Notes, in the order of their writing. */
        Notes: {
            noted: components["schemas"]["ShownNote"][];
        };
        /** @description What came of an [`Ask`]. */
        Outcome: {
            /** @description What was asked. */
            ask: components["schemas"]["Ask"];
            /** @description What it was worked out from, and by what. */
            basis: components["schemas"]["Footing"];
            /** @description Corrections in force that touched the samples it rests on: values are as corrected. */
            corrections: components["schemas"]["Correction"][];
            /** @description What went in, channel by channel. */
            inputs: components["schemas"]["Input"][];
            /** @description True while the run goes on: there is more to come. */
            is_preliminary: boolean;
            /** @description True where a rig played any of it. */
            is_simulated: boolean;
            layout?: components["schemas"]["Layout"] | null;
            outdated?: components["schemas"]["Correction"] | null;
            /** @description Which readings were used. */
            policy: components["schemas"]["Policy"];
            /** @description Whether the asked coverage and uncertainty are reached. */
            reached: components["schemas"]["Reached"][];
            /** @description The results. */
            results: components["schemas"]["Figure"][];
            /** @description The run's name. */
            run: string;
            /** @description For plots: evenly spaced, thinned out. */
            series: components["schemas"]["Series"][];
            /** @description What it speaks for. */
            stretch: components["schemas"]["Stretch"];
            /** @description Rows of results of one kind, such as one a window or one a steady stretch. */
            tables: components["schemas"]["Table"][];
            /** @description What it is called in tables and reports. */
            title: string;
            /** @description Whether results are within the limits that were asked. */
            verdicts: components["schemas"]["Judged"][];
            /** @description What a reader must not overlook, in sentences. */
            warnings: string[];
            within?: components["schemas"]["Stretch"] | null;
        };
        /** @description Evaluations asked of a run with what came of them, in the order of asking. */
        Outcomes: {
            evaluations: components["schemas"]["Evaluated"][];
        };
        /** @description One meter's quantity by its analog output and by its text line, over the last five minutes. */
        Pair: {
            /** @description The channel of the analog output. */
            analog: string;
            /**
             * Format: double
             * @description Mean of the analog readings.
             */
            analog_mean?: number | null;
            /**
             * Format: double
             * @description By how many seconds the analog reading comes after the text line's; `null` where they hardly move together.
             */
            delay_s?: number | null;
            difference?: components["schemas"]["Known"] | null;
            line?: components["schemas"]["StraightLine"] | null;
            /** @description The meter. */
            meter: string;
            /** @description Readings that belong together; fewer than 60 say nothing. */
            pairs: number;
            /** @description What is compared. */
            quantity: string;
            /** @description Since when, true UTC. */
            since?: string | null;
            /** @description `unknown` (nothing can be told yet), `agree` or `apart`. */
            standing: string;
            /** @description The channel of the text line. */
            text: string;
            /**
             * Format: double
             * @description Mean of the text line's readings.
             */
            text_mean?: number | null;
            /** @description The unit of all values here. */
            unit: string;
            /** @description What is wrong and what may be the cause, while they are apart. */
            words?: string | null;
        };
        /** @description A point of a layout. */
        Point: {
            /** @description Its coordinates from the middle, m: x and y of a duct; x, y and z of a zone. */
            at: number[];
            /** @description The channel that was read there. */
            channel: string;
            /**
             * Format: double
             * @description How far in from the wall the probe stands, m.
             */
            insertion?: number | null;
            /**
             * Format: double
             * @description Its mean, in the unit of that channel.
             */
            mean?: number | null;
            /** @description Its name, or its number. */
            name: string;
            /**
             * Format: double
             * @description The share of the duct's area that it stands for.
             */
            weight?: number | null;
        };
        /** @description When a probe was read at a point. */
        PointVisit: {
            /**
             * @description From when on, true UTC or from the beginning of the run.
             * @example 2026-11-25T22:00:00Z
             */
            from: string;
            /** @description The number of the point in the layout. */
            point: number;
            /**
             * @description Up to, not including, when.
             * @example 2026-11-25T22:00:30Z
             */
            to: string;
        };
        /** @description Which readings were used. */
        Policy: {
            /** @description Flags that did not keep a reading out, by their words. */
            allow: string[];
            /**
             * Format: double
             * @description The share of the stretch that used readings must speak for.
             */
            coverage_min: number;
            /** @description Flags that only say where a reading comes from, and never do. */
            remarks: string[];
        };
        /** @description The check before a start. */
        Prestart: {
            /** @description When the facts were gathered, true UTC. */
            at: string;
            /** @description In the order in which somebody would walk along the bench. */
            findings: components["schemas"]["Found"][];
            /**
             * Format: double
             * @description How long the planned night is, s.
             */
            night_s: number;
            /** @description The gravest of all: `fine`, `look` or `wrong`. */
            state: string;
        };
        /** @description A sensor head on its cable. */
        Probe: {
            /**
             * Format: double
             * @description The highest temperature that its cable holds, °C.
             */
            cable_limit?: number | null;
            /** @description Name of the envelope in which it can be believed. */
            envelope?: string | null;
            /** @description The number that the meter must carry for it. */
            number?: string | null;
            /** @description Its serial number. */
            serial?: string | null;
        };
        /** @description What is asked, by kind. */
        Question: (components["schemas"]["MeanAsk"] & {
            /** @enum {string} */
            kind: "mean";
        }) | (components["schemas"]["WindowsAsk"] & {
            /** @enum {string} */
            kind: "windows";
        }) | (components["schemas"]["TraverseAsk"] & {
            /** @enum {string} */
            kind: "traverse";
        }) | (components["schemas"]["UniformityAsk"] & {
            /** @enum {string} */
            kind: "uniformity";
        }) | (components["schemas"]["TransientAsk"] & {
            /** @enum {string} */
            kind: "transient";
        }) | (components["schemas"]["SteadinessAsk"] & {
            /** @enum {string} */
            kind: "steadiness";
        }) | (components["schemas"]["AgreementAsk"] & {
            /** @enum {string} */
            kind: "agreement";
        }) | (components["schemas"]["HeatAsk"] & {
            /** @enum {string} */
            kind: "heat";
        });
        /** @description From one number to another. */
        Reach: {
            /** Format: double */
            from: number;
            /** Format: double */
            to: number;
        };
        /** @description Whether something that was asked for is reached. */
        Reached: {
            /**
             * Format: double
             * @description What it is; none where nothing can be said of it yet.
             */
            found?: number | null;
            /** @description Whether it is reached. */
            is_reached: boolean;
            /** @description Of which channel or result. */
            of: string;
            /** @description The unit of both. */
            unit: string;
            /**
             * Format: double
             * @description What was asked for: at least of coverage, at most of uncertainty.
             */
            wanted: number;
            /** @description `coverage` of an input, `uncertainty` of a result. */
            what: string;
        };
        /** @description A loop check in the record. */
        Recorded: {
            /** @description When its last point was taken, true UTC. */
            at: string;
            /** @description The channel. */
            channel: string;
            /** @description BLAKE3 over the check; an event of the sealed record tells the same. */
            hash: string;
            /**
             * Format: int64
             * @description Its number; later ones have higher ones.
             */
            id: number;
            /**
             * Format: int64
             * @description The version of the channel's mapping then.
             */
            mapping: number;
            /** @description What there is to add. */
            note: string;
            /** @description Who did it. */
            operator: string;
            /** @description What it says. */
            outcome: components["schemas"]["LoopOutcome"];
            /** @description The points in the order in which they were taken. */
            points: components["schemas"]["LoopPoint"][];
            /** @description What its ends stand for. */
            range: string;
            /** @description Its serial number, or nothing. */
            serial: string;
            /** @description The loop's span. */
            signal: string;
            /** @description Where the signal came from. */
            source: string;
            /**
             * Format: double
             * @description The largest error that passes, in per cent of the span.
             */
            tolerance_percent: number;
            /** @description True where the check still has that hash. */
            untouched: boolean;
        };
        /** @description How the recording goes, since the start of the daemon. */
        Recording: {
            /**
             * Format: double
             * @description How long the last one took, ms.
             */
            commit_ms: number;
            /**
             * Format: int64
             * @description Commits.
             */
            commits: number;
            /** @description Everything measured up to here is on the disk; `null` before the first commit. */
            committed?: string | null;
            /** @description Samples in memory. */
            held: number;
            /**
             * Format: int64
             * @description Samples that neither disk nor memory could take; they are gaps.
             */
            lost: number;
            /**
             * Format: int64
             * @description Samples on the disk.
             */
            samples: number;
        };
        /** @description One line of a budget. */
        Row: {
            /**
             * Format: double
             * @description |sensitivity|·u, in the unit of the result.
             */
            contribution: number;
            /** @description Its distribution. */
            distribution: string;
            /**
             * Format: double
             * @description Its degrees of freedom; none where they are infinite.
             */
            dof?: number | null;
            /** @description By statistics (`A`) or by other knowledge (`B`). */
            evaluation: string;
            /** @description Whose: a channel, an instrument. */
            of: string;
            /**
             * Format: double
             * @description By how much the result moves with it.
             */
            sensitivity: number;
            /** @description The unit of the sensitivity. */
            sensitivity_unit: string;
            /**
             * Format: double
             * @description Its share of the variance, with its part in what it shares; all sum to 1.
             */
            share: number;
            /** @description The cause that it shares with others, such as a converter. */
            shared?: string | null;
            /**
             * Format: double
             * @description Its standard uncertainty, in `unit`.
             */
            u: number;
            /** @description The unit of `u`. */
            unit: string;
            /** @description What it comes from. */
            what: string;
        };
        /**
         * @description What the rule says.
         * @enum {string}
         */
        Ruling: "conforms" | "does_not" | "undecided";
        /** @description A run. */
        Run: {
            /** @description The conditions around. */
            ambient?: string | null;
            /** @description When it was asked for. */
            asked: string;
            /** @description Its channels. */
            channels: string[];
            /** @description When it ends, as asked. */
            end: string;
            /** @description Why it ended: `stopped`, `time_over`, `condition_met` or `cut`. */
            ended?: string | null;
            /**
             * Format: int64
             * @description Its number; later runs have higher ones.
             */
            id: number;
            /** @description Stretches in which nobody recorded. */
            interruptions: components["schemas"]["Interruption"][];
            /** @description The layout of points that it refers to. */
            layout?: string | null;
            /**
             * Format: double
             * @description How long it lasted, or has lasted, on the record's axis.
             */
            length_s?: number | null;
            /** @description Its name. */
            name: string;
            /**
             * Format: int64
             * @description How many notes there are.
             */
            notes: number;
            /** @description What is tested. */
            object?: string | null;
            /** @description Who sees to it. */
            operator?: string | null;
            /** @description What it is for. */
            purpose?: string | null;
            /** @description When it began. */
            since?: string | null;
            /** @description When it begins, as asked. */
            start: string;
            /** @description `planned`, `waiting`, `running`, `ended`, `withdrawn`, `missed` or `discarded`. */
            state: string;
            /** @description The template that it came from. */
            template?: string | null;
            /** @description When it ended. */
            until?: string | null;
        };
        /** @description A page of runs, newest first. */
        RunList: {
            /**
             * Format: int64
             * @description `before` of the next page; `null` on the last.
             */
            next?: number | null;
            runs: components["schemas"]["Run"][];
        };
        /** @description A link of the record's seal. */
        Seal: {
            /** @description Up to when the record went then. */
            at: string;
            /** @description Its hash, in hexadecimal. */
            hash: string;
            /**
             * Format: int64
             * @description Its number.
             */
            link: number;
        };
        /** @description A course over time, for a plot. */
        Series: {
            /** @description Where the first bucket begins, true UTC. */
            from: string;
            /** @description What it is: `mean`, `spread`. */
            name: string;
            /** @description Of what: a channel, or the name of a point. */
            of?: string | null;
            /**
             * Format: double
             * @description How long a bucket is, s.
             */
            step_s: number;
            /** @description The unit of its values. */
            unit: string;
            /** @description One value a bucket; none where nothing was used. */
            values: (number | null)[];
        };
        /** @description Who asks. */
        Session: {
            /** @description `operate`, `view`, or `null` for whoever has to sign in first. */
            role?: string | null;
            /** @description Name of the token that was shown; `null` without one. */
            token?: string | null;
        };
        /** @description What a calibration laboratory found. */
        ShownCertificate: {
            /** @description When the comparison was made, `2026-03-02`. */
            date: string;
            /** @description Until when it may be relied upon, that day included. */
            due: string;
            /** @description The laboratory. */
            laboratory: string;
            /** @description How readings are put right: `interpolation` or `least squares`. */
            method: string;
            /** @description Its name in the configuration. */
            name: string;
            /** @description Its number at the laboratory. */
            number: string;
            /** @description In the order of the certificate. */
            points: components["schemas"]["CertificatePoint"][];
            /** @description What was calibrated. */
            quantity: string;
            /** @description The instrument's range. */
            range: components["schemas"]["Reach"];
            /** @description `in force`, `overdue`, or `not yet` before its date. Days are UTC, as in the check before a start. */
            standing: string;
            /** @description The unit of the range and of the points. */
            unit: string;
        };
        /** @description Where a kind of probe can be believed. */
        ShownEnvelope: {
            /** @description Where the velocity is, in bands of the temperature from cold to hot. */
            bands: components["schemas"]["Band"][];
            /** @description Its name in the configuration. */
            name: string;
            /** @description Where the temperature itself is believed, °C. */
            temperature: components["schemas"]["Reach"];
        };
        /** @description An evaluation that was asked of a run. */
        ShownEvaluation: {
            /** @description By whom. */
            by?: string | null;
            /** Format: int64 */
            id: number;
            /** @description Which kind. */
            kind: string;
            /** @description Its parameters. */
            parameters: Record<string, never>;
            /** @description When it was asked for. */
            said: string;
        };
        /** @description A duct or a work zone, seen from one side. Lengths are m. */
        ShownLayout: {
            /**
             * Format: double
             * @description Diameter of the core of an annular duct.
             */
            core?: number | null;
            /**
             * Format: double
             * @description From top to bottom.
             */
            height: number;
            /** @description `duct` or `zone`. */
            kind: string;
            /** @description Its name. */
            name: string;
            /** @description Its points. */
            points: components["schemas"]["LayoutPoint"][];
            /** @description True where the outline is round. */
            round: boolean;
            /** @description Seen from `above`, or from the `front`; a duct along the flow. */
            side: string;
            /**
             * Format: double
             * @description Across.
             */
            width: number;
        };
        /** @description A note; it is never edited. */
        ShownNote: {
            /** @description The moment that it is about, where that is another. */
            about?: string | null;
            /** @description Who wrote it. */
            by: string;
            /** Format: int64 */
            id: number;
            /** @description When it was written. */
            said: string;
            /** @description The note. */
            text: string;
        };
        /** @description A point of the duct. */
        ShownPoint: {
            /**
             * Format: double
             * @description From the inner wall at the port to the point, along the line, mm: the mark on the probe.
             */
            insertion_mm: number;
            /** @description Its line. */
            line: number;
            /** @description Its number. */
            point: number;
            read?: components["schemas"]["ShownRead"] | null;
            /**
             * Format: double
             * @description To the nearest wall, mm.
             */
            wall_mm: number;
            /**
             * Format: double
             * @description Share of the area that it stands for.
             */
            weight: number;
            /**
             * Format: double
             * @description To the right of the middle, mm.
             */
            x_mm: number;
            /**
             * Format: double
             * @description Above the middle, mm.
             */
            y_mm: number;
        };
        /** @description What was read at a point. */
        ShownRead: {
            /**
             * Format: int32
             * @description How many.
             */
            count: number;
            /** @description From when on, true UTC. */
            from: string;
            /**
             * Format: double
             * @description The mean of the readings.
             */
            mean: number;
            /** @description False where patience ended before it was steady. */
            steady: boolean;
            /** @description Until when, true UTC. */
            to: string;
        };
        /** @description A run with all that is known of it. */
        ShownRun: components["schemas"]["Run"] & components["schemas"]["Notes"] & components["schemas"]["Evaluations"] & {
            /** @description Hash of the configuration in force when it began, or when it was asked for. */
            config?: string | null;
            /** @description The loop checks in force when it began: of each channel the newest one before. */
            loop_checks: components["schemas"]["CheckInForce"][];
            /** @description What a reader must not overlook. */
            remarks: string[];
            /**
             * Format: int64
             * @description Samples of its channels in it, so far as they are in the file.
             */
            samples?: number | null;
            /** @description What happened, in order. */
            steps: components["schemas"]["ShownStep"][];
        };
        /** @description Something that happened to a run. */
        ShownStep: {
            /** @description When: of `interrupted` up to when, of `withdrawn`, `missed` and `discarded` when it was said. */
            at: string;
            /** @description Who, where it was somebody. */
            by?: string | null;
            /** @description When this was written. */
            said: string;
            /** @description `began`, `interrupted`, `ended`, `withdrawn`, `missed` or `discarded`. */
            step: string;
            /** @description Why, or nothing. */
            text: string;
        };
        /** @description A moved-probe traverse, as far as it has come. Velocities are in m/s. */
        ShownTraverse: {
            again?: components["schemas"]["ShownRead"] | null;
            /** @description By whom. */
            by: string;
            /** @description The channel of the probe's velocity. */
            channel: string;
            /**
             * Format: double
             * @description By what share the first point has changed until then.
             */
            drift?: number | null;
            /**
             * Format: double
             * @description For how long each point is read, s.
             */
            dwell_s: number;
            /** @description When it ended; `null` while it goes on. */
            ended?: string | null;
            /** @description The layout of the duct. */
            layout: string;
            /**
             * Format: double
             * @description Mean velocity by the shares of the area; `null` before every point is read. What flows, with its uncertainty, is the
             *     evaluation `traverse` that ending asks of the run.
             */
            mean?: number | null;
            next?: components["schemas"]["ShownPoint"] | null;
            /** @description The points, in the order of measuring, with the readings that hold. */
            points: components["schemas"]["ShownPoint"][];
            /** @description When it was laid out. */
            since: string;
            /** @description Where the present visit stands: `settling` or `dwelling`; `null` where none is under way. */
            stage?: string | null;
            /** @description Since when, true UTC. */
            stage_since?: string | null;
            /**
             * @description What is to be done: `move` the probe to the point of `next` and confirm it, `wait` until the point is read, `end` the
             *     traverse; `null` once it ended.
             */
            to_do?: string | null;
            /** @description Every visit there was. */
            visits: components["schemas"]["ShownVisit"][];
        };
        /** @description A visit to a point. */
        ShownVisit: {
            /** @description When the probe was put there, true UTC. */
            at: string;
            /** @description Who said so. */
            by: string;
            /** @description The number of the point. */
            point: number;
            read?: components["schemas"]["ShownRead"] | null;
        };
        /**
         * @description From which moment on a zone is surveyed.
         * @enum {string}
         */
        Since: "begin" | "steady" | "soaked";
        /** @description Sizes, in bytes. */
        Size: {
            /**
             * Format: int64
             * @description The whole disk.
             */
            disk: number;
            /**
             * Format: int64
             * @description Free on its disk.
             */
            free: number;
            /**
             * Format: int64
             * @description The write-ahead log beside it.
             */
            log: number;
            /**
             * Format: int64
             * @description The record.
             */
            record: number;
        };
        /** @description What stands on a loop. */
        Standing: {
            /**
             * Format: double
             * @description Standard deviation.
             */
            deviation: number;
            /**
             * Format: double
             * @description Mean over some seconds, in the unit of the signal.
             */
            signal: number;
        };
        /** @description The station. */
        Station: {
            /** @description Names this start of the daemon. */
            boot: string;
            /** @description How many channels are configured. */
            channels: number;
            /** @description Hash of the configuration in force. */
            config: string;
            /** @description How it does. */
            health: components["schemas"]["Health"];
            /** @description How many lines. */
            lines: number;
            /** @description Its name. */
            name: string;
            /** @description Now, true UTC. */
            now: string;
            /** @description How the recording goes. */
            recording: components["schemas"]["Recording"];
            /** @description True where a rig plays any of the devices. */
            simulated: boolean;
            /** @description Sizes. */
            size: components["schemas"]["Size"];
            /** @description IANA name of the laboratory's time zone. */
            time_zone: string;
            /** @description The program's version. */
            version: string;
        };
        /** @description `steadiness`: since when, and until when, channels are steady. */
        SteadinessAsk: {
            /** @description The channels; those of the run by default. */
            channels?: string[];
            /** @description A movement within the window that does not matter, such as `0.5 K`; each one does by default. */
            negligible?: string | null;
            /** @description How long nothing may move; 10 min by default. */
            window?: string | null;
        };
        /** @description A straight line, noise counted on both sides. */
        StraightLine: {
            /**
             * Format: double
             * @description Correlation of the two.
             */
            correlation: number;
            /** @description Where the text line says 0 SI (0 °C, 0 m/s): the analog reading, as a difference. */
            offset: components["schemas"]["Known"];
            /**
             * Format: double
             * @description Standard deviation of the analog readings about the line.
             */
            scatter: number;
            /** @description Analog per text. */
            slope: components["schemas"]["Known"];
        };
        /** @description A channel, as the page needs it. */
        StreamChannel: {
            /**
             * @description What a velocity or volume flow is one of: `actual`, `standard: 20 °C, 101.325 kPa, dry`, or `basis not stated`; `null` for
             *     every other quantity.
             */
            basis?: string | null;
            id: string;
            kind: string;
            label: string;
            /** Format: double */
            period_ms: number;
            point: string;
            /**
             * Format: double
             * @description The size of one count, SI, from which the digits follow where `u` is not known.
             */
            resolution?: number | null;
            /** Format: double */
            scale: number;
            /** @description The unit of the numbers that are sent. */
            si_unit: string;
            simulated: boolean;
            /**
             * Format: double
             * @description Expanded uncertainty, SI; `null` while none is stated.
             */
            u?: number | null;
            /** @description The unit in which the configuration speaks of it: its number is `scale` · SI + `zero`. */
            unit: string;
            /** Format: double */
            us_scale: number;
            /** @description The unit in which people in the United States speak of it, with its own scale and zero. */
            us_unit: string;
            /** Format: double */
            us_zero: number;
            /** Format: double */
            zero: number;
        };
        /** @description A piece of time. */
        Stretch: {
            /** @description Its first moment. */
            from: string;
            /**
             * Format: double
             * @description How long it is on the record's axis, s.
             */
            length_s: number;
            /** @description The moment after its last. */
            to: string;
        };
        /** @description Rows of results of one kind. */
        Table: {
            /** @description What it is. */
            name: string;
            /** @description Of what: a channel. */
            of?: string | null;
            /** @description In order. */
            rows: components["schemas"]["TableRow"][];
            /** @description The unit of the rows' values; of differences for their uncertainties. */
            unit: string;
        };
        /** @description One row: what holds for a stretch. */
        TableRow: {
            /**
             * Format: double
             * @description The share of the row's stretch that used readings speak for.
             */
            coverage?: number | null;
            /**
             * Format: double
             * @description Expanded uncertainty.
             */
            expanded?: number | null;
            /** @description From when on. */
            from: string;
            /** @description Why there is no value. */
            note?: string | null;
            /**
             * Format: double
             * @description Standard deviation of the readings.
             */
            sd?: number | null;
            /** @description Until when. */
            to: string;
            /**
             * Format: double
             * @description Standard uncertainty.
             */
            u?: number | null;
            /**
             * Format: int64
             * @description Readings used.
             */
            used?: number | null;
            /**
             * Format: double
             * @description The value; none where it was refused.
             */
            value?: number | null;
            /** @description What it says in a word, such as `steady`; none where the value is all. */
            word?: string | null;
        };
        /** @description An account of a channel's samples over the stretch. */
        Tally: {
            /**
             * Format: double
             * @description The share of the stretch that used samples speak for, 0 to 1.
             */
            coverage: number;
            /** @description How many carry each flag, used or not; several may stand on one. */
            flagged: {
                [key: string]: number;
            };
            /**
             * Format: int64
             * @description Of them, left out.
             */
            left_out: number;
            /** @description For which flags samples were left out; several may speak against one. */
            left_out_for: {
                [key: string]: number;
            };
            /**
             * Format: double
             * @description The longest time without a used sample, s; none where too few were used.
             */
            longest_gap_s?: number | null;
            /** @description Ticks without a sample, by cause. */
            missing: {
                [key: string]: number;
            };
            /**
             * Format: int64
             * @description Samples in the record.
             */
            samples: number;
            /**
             * Format: int64
             * @description Of them, used.
             */
            used: number;
        };
        /** @description A signal to be applied. */
        Target: {
            /**
             * Format: double
             * @description Where it lies in the span, per cent.
             */
            percent: number;
            /** @description Which point, from 1. */
            point: number;
            /**
             * Format: double
             * @description The signal.
             */
            signal: number;
            /** @description Its unit. */
            signal_unit: string;
            /**
             * Format: double
             * @description What it stands for; `null` where the value does not follow the signal in a straight line.
             */
            value?: number | null;
            /** @description Its unit. */
            value_unit: string;
        };
        /** @description What a run of this kind is, unless whoever asks for one says otherwise. */
        Template: {
            /** @description The conditions around. */
            ambient?: string | null;
            /** @description Its channels; none stands for all that are configured. */
            channels: string[];
            /** @description When it ends. */
            end: string;
            /** @description The layout of points that it refers to. */
            layout?: string | null;
            /** @description Its name. */
            name: string;
            /** @description What is tested. */
            object?: string | null;
            /** @description Who sees to it. */
            operator?: string | null;
            /** @description What it is for. */
            purpose?: string | null;
            /** @description When it begins. */
            start: string;
        };
        /** @description The templates of runs, in the order of the configuration. */
        Templates: {
            templates: components["schemas"]["Template"][];
        };
        /** @description `transient`: ramp, time to setpoint, overshoot, settling, recovery. */
        TransientAsk: {
            /** @description The level before: the mean of the first so long of the stretch; 1 min by default. */
            before?: string | null;
            /** @description The channel. */
            channel: string;
            /** @description How long it must stay within tolerance to have settled; 10 min by default. */
            dwell?: string | null;
            /** @description A disturbance, such as the door's opening, the recovery from which is told. */
            event?: string | null;
            /**
             * @description Where it is to go.
             * @example 200 °C
             */
            setpoint: string;
            /** @description The span over which levels and peaks are smoothed; the samples themselves by default. */
            smoothing?: string | null;
            /**
             * @description How near is near enough.
             * @example 5 K
             */
            tolerance: string;
            /** @description The length of the window of the steepest slope; 1 min by default. */
            window?: string | null;
        };
        /** @description `traverse`: the flow through a duct by the points of a layout. */
        TraverseAsk: {
            /** @description The humidity: `dry` (default), `8 g/kg`, `50 % at 23 °C`, `dew point 12 °C`. */
            humidity?: string | null;
            /** @description The layout of the duct; that of the run by default. */
            layout?: string | null;
            moved?: components["schemas"]["MovedProbe"] | null;
            /**
             * @description The absolute pressure in the duct: a channel of a barometer, or an amount such as `98.2 kPa`. Needed for
             *     mass and standard flow, or for the actual one of standard velocities.
             */
            pressure?: string | null;
            /** @description The reference of the standard flow, such as `20 °C`; none is stated by default. */
            reference?: string | null;
            /** @description The temperature in the duct, where the layout's points read none: a channel, or an amount. */
            temperature?: string | null;
            /** @description Between which limits the actual volume flow should be, such as `1100-1300 m³/h`. */
            within?: string | null;
        };
        /** @description How far a loop check is. */
        UnderWay: {
            /** @description When it was begun, true UTC. */
            begun: string;
            /** @description The channel. */
            channel: string;
            outcome?: components["schemas"]["LoopOutcome"] | null;
            /** @description How many points it has. */
            points: number;
            standing?: components["schemas"]["Standing"] | null;
            /**
             * @description `apply`: the target is to be put on the loop; `settling`: the signal is waited for to rest;
             *     `complete`: every point is taken and recorded, the loop is to be put back in service; `over`.
             */
            state: string;
            /** @description The points taken. */
            taken: components["schemas"]["LoopPoint"][];
            target?: components["schemas"]["Target"] | null;
            /**
             * Format: double
             * @description The largest error that passes, in per cent of the span.
             */
            tolerance_percent: number;
            /** @description What was last wrong. */
            trouble?: string | null;
        };
        /** @description `uniformity`: how even a zone is in space and time. */
        UniformityAsk: {
            /** @description Over how long a place must be steady, or stay in tolerance; 10 min by default. */
            dwell?: string | null;
            /** @description The layout of the zone; that of the run by default. */
            layout?: string | null;
            /** @description What is surveyed: `temperature` (default) or `velocity`. */
            quantity?: string | null;
            /** @description The setpoint, such as `200 °C`. */
            setpoint?: string | null;
            /** @description From which moment on. */
            since?: components["schemas"]["Since"];
            /** @description How far from the setpoint every reading may be, such as `5 K`. */
            tolerance?: string | null;
        };
        /** @description The values of a stretch in short. */
        Values: {
            /** Format: double */
            first?: number | null;
            /** @description Samples with each flag. */
            flags: {
                [key: string]: number;
            };
            /**
             * Format: int64
             * @description Samples with nothing against them.
             */
            good: number;
            /** Format: double */
            last?: number | null;
            /** Format: double */
            max?: number | null;
            /** Format: double */
            mean?: number | null;
            /** Format: double */
            min?: number | null;
        };
        /** @description `windows`: the means of windows of one length at even steps. */
        WindowsAsk: {
            /** @description The channels; those of the run by default. */
            channels?: string[];
            /**
             * Format: int64
             * @description At most so many.
             */
            count?: number | null;
            /**
             * @description How often one begins; one after the other by default.
             * @example 1 h
             */
            every?: string | null;
            /**
             * @description How long each window is.
             * @example 5 min
             */
            length: string;
            /** @description Whether windows begin at multiples of their step by the clock (UTC) and not with the stretch. */
            on_the_clock?: boolean;
        };
    };
    responses: never;
    parameters: never;
    requestBodies: never;
    headers: never;
    pathItems: never;
}
export type $defs = Record<string, never>;
export type operations = Record<string, never>;
