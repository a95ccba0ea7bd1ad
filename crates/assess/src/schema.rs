//! The schemas of asks and outcomes as documents of their own, and the page that explains them; all made from the types.

use std::fmt::Write;

use serde_json::{Map, Value, json};
use utoipa::ToSchema;
use zonda_config::evaluation::{EVALUATION, KINDS};

use crate::ask::Ask;
use crate::outcome::Answer;

/// A JSON Schema (draft 2020-12) of an evaluation that is asked for.
pub fn asks() -> Value {
    document::<Ask>("An evaluation that is asked of a run")
}

/// A JSON Schema (draft 2020-12) of what `zonda evaluate --json` gives: a list of answers.
pub fn answers() -> Value {
    let mut schema = document::<Answer>("What came of evaluations");
    let answer = schema["$ref"].take();
    schema["type"] = json!("array");
    schema["items"] = json!({ "$ref": answer });
    if let Some(schema) = schema.as_object_mut() {
        schema.remove("$ref");
    }
    schema
}

fn document<T: ToSchema>(title: &str) -> Value {
    let mut schemas = Vec::new();
    T::schemas(&mut schemas);
    schemas.push((T::name().into_owned(), T::schema()));
    let all: Map<String, Value> = schemas
        .into_iter()
        .map(|(name, schema)| (name, serde_json::to_value(schema).unwrap_or_default()))
        .collect();
    let text = Value::Object(all).to_string();
    let text = text.replace("#/components/schemas/", "#/$defs/");
    let definitions: Value = serde_json::from_str(&text).unwrap_or_default();
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "$ref": format!("#/$defs/{}", T::name()),
        "$defs": definitions,
    })
}

const OPENING: &str = "# Evaluations\n\n\
    <!-- Made from the code by `cargo xtask docs`. Change the code, not this page. -->\n\n\
    An evaluation is asked of a run: beforehand in a template of the configuration (`[evaluation.NAME]`, named in `[run.NAME]`), or\n\
    later by `zonda run start --evaluate`, `zonda evaluate` or the API. It is worked out from the record each time it is\n\
    wanted, so that nothing can differ from the samples it rests on: the same record gives the same result, byte for byte. An outcome that\n\
    was kept elsewhere says what it rested on (`basis`), and `zonda evaluate RUN --still FILE` says whether a correction has outdated it.\n\n\
    Numbers in JSON are in SI, °C for temperatures and K for their differences, each with its unit. `expanded` is U at 95.45 %, which is\n\
    k = 2 with many degrees of freedom; `stated` is the same for people, rounded, in the unit in which the channel is shown.\n\
    What is in doubt without anybody having said how much stands in a budget's `omitted`, and U is too small by that.\n\n\
    - [evaluation.schema.json](evaluation.schema.json): what can be asked\n\
    - [outcome.schema.json](outcome.schema.json): what `zonda evaluate --json` gives\n\n\
    ```json\n\
    { \"kind\": \"uniformity\", \"name\": \"soak\", \"layout\": \"zone-1\", \"setpoint\": \"200 °C\", \"tolerance\": \"5 K\", \"since\": \"soaked\", \"to\": \"-10 min\" }\n\
    ```\n\n\
    ## What is decided\n\n\
    - Only readings against which nothing speaks are used, unless `allow` names flags. Each result says how many were left out, and for what.\n\
    - Where used readings speak for less than `coverage_min` of the stretch there is no result but the reason.\n\
    - A run that goes on is evaluated up to its newest sample; its outcomes are `is_preliminary`.\n\
    - A channel that left the configuration in the run is evaluated as far as it goes; its gap has the cause `disabled`.\n\
    - Across a step of the clock lengths are those of the record's axis, and times true UTC; a warning says so.\n\
    - Values are as corrected; `corrections` names each correction that touched them.\n\
    - Stretches may overlap or lie within each other: each is evaluated by itself.\n\n\
    ## Kinds\n";

/// The page `docs/evaluations.md`.
pub fn page() -> String {
    let mut page = OPENING.to_owned();
    let about = |name: &str| {
        let key = EVALUATION.iter().find(|key| key.name == name);
        key.map_or(("", ""), |key| (key.example, key.about))
    };
    for (kind, must, may) in KINDS {
        let _ = write!(
            page,
            "\n### {kind}\n\n| key | such as | |\n| --- | --- | --- |\n"
        );
        for (key, is_needed) in must
            .iter()
            .map(|key| (key, true))
            .chain(may.iter().map(|key| (key, false)))
        {
            let (example, what) = about(key);
            let needed = if is_needed { " **needed**" } else { "" };
            let example = example.replace('|', "\\|");
            let _ = writeln!(page, "| `{key}`{needed} | `{example}` | {what} |");
        }
    }
    page.push_str("\n## Keys of every kind\n\n| key | such as | |\n| --- | --- | --- |\n");
    for key in [
        "from",
        "to",
        "allow",
        "coverage_min",
        "uncertainty_max",
        "rule",
    ] {
        let (example, what) = about(key);
        let _ = writeln!(page, "| `{key}` | `{example}` | {what} |");
    }
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the configuration knows of a kind is what the kind takes, but for where a moved probe was:
    /// that is no plan but what the run's visits tell.
    #[test]
    fn the_file_and_json_have_the_same_keys() {
        let schema = asks();
        for (kind, must, may) in KINDS {
            let mut name: String = kind[..1].to_uppercase();
            name.push_str(&kind[1..]);
            let ask = &schema["$defs"][format!("{name}Ask")];
            let mut known: Vec<&str> = ask["properties"]
                .as_object()
                .unwrap()
                .keys()
                .map(String::as_str)
                .filter(|key| *key != "moved")
                .collect();
            known.sort_unstable();
            let mut said: Vec<&str> = must.iter().chain(may).copied().collect();
            said.sort_unstable();
            assert_eq!(known, said, "{kind}");
            let needed = ask["required"].as_array().map_or(0, Vec::len);
            assert_eq!(needed, must.len(), "{kind}");
        }
    }

    #[test]
    fn a_schema_refers_to_nothing_outside() {
        for schema in [asks(), answers()] {
            let text = schema.to_string();
            assert!(!text.contains("#/components"));
            for part in text.split("\"#/$defs/").skip(1) {
                let name = part.split('"').next().unwrap();
                assert!(schema["$defs"][name].is_object(), "{name}");
            }
        }
    }
}
