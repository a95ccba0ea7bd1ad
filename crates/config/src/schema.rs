//! The JSON Schema for editors, made from the list of keys.

use serde_json::{Map, Value, json};

use crate::keys::{Key, Kind, TOPS};

/// A JSON Schema (draft 2020-12) of the configuration file.
pub fn schema() -> Value {
    let mut properties = Map::new();
    for top in TOPS {
        let one = table(top.keys);
        let value = if top.named {
            json!({ "type": "object", "description": top.about, "additionalProperties": one })
        } else {
            let mut one = one;
            one["description"] = json!(top.about);
            one
        };
        properties.insert(top.name.to_owned(), value);
    }
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Configuration of a Zonda station",
        "type": "object",
        "properties": properties,
        "additionalProperties": false,
    })
}

fn table(keys: &[Key]) -> Value {
    let properties: Map<String, Value> = keys
        .iter()
        .map(|key| (key.name.to_owned(), property(key)))
        .collect();
    let required: Vec<_> = keys
        .iter()
        .filter(|key| key.required)
        .map(|key| key.name)
        .collect();
    json!({ "type": "object", "properties": properties, "required": required, "additionalProperties": false })
}

fn property(key: &Key) -> Value {
    let mut value = match key.kind {
        Kind::Text | Kind::Amount => json!({ "type": "string" }),
        Kind::Whole => json!({ "type": "integer" }),
        Kind::Number => json!({ "type": "number" }),
        Kind::Numbers => json!({ "type": "array", "items": { "type": "number" } }),
        Kind::Flag => json!({ "type": "boolean" }),
        Kind::Texts => json!({ "type": "array", "items": { "type": "string" } }),
        Kind::Pairs => json!({ "type": "object", "additionalProperties": { "type": "string" } }),
        Kind::Table(keys) => table(keys),
    };
    value["description"] = json!(key.about);
    value
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_top_table_is_described_and_closed() {
        let schema = schema();
        for top in TOPS {
            let described = &schema["properties"][top.name];
            assert_eq!(described["description"], top.about);
            let one = if top.named {
                &described["additionalProperties"]
            } else {
                described
            };
            assert_eq!(one["additionalProperties"], false);
            assert!(
                one["properties"]
                    .as_object()
                    .is_some_and(|keys| keys.len() == top.keys.len())
            );
        }
    }
}
