//! The JSON Schemas of the profile and system files, made from the same description by which
//! files are checked.
//!
//! A schema cannot say all: what only shows between several parts is the loader's. What it says is
//! never wider than the loader in keys, types and words.

use serde_json::{Map, Value as Json, json};

use super::format::FAMILY;
use super::shape::{Keys, Shape, Table};
use super::system::SYSTEM;

/// The JSON Schema (draft 2020-12) of a family's file.
pub fn schema() -> Json {
    document(&FAMILY)
}

/// The JSON Schema (draft 2020-12) of a system's file.
pub fn system_schema() -> Json {
    document(&SYSTEM)
}

/// The JSON Schema (draft 2020-12) of a file with this table at its top.
pub(crate) fn document(table: &'static Table) -> Json {
    let mut defs = Map::new();
    let mut schema = of_table(table, &mut defs);
    if let Some(object) = schema.as_object_mut() {
        object.insert(
            "$schema".to_owned(),
            json!("https://json-schema.org/draft/2020-12/schema"),
        );
        object.insert("title".to_owned(), json!(table.name));
        defs.sort_keys();
        object.insert("$defs".to_owned(), Json::Object(defs));
        object.sort_keys();
    }
    schema
}

fn of_table(table: &'static Table, defs: &mut Map<String, Json>) -> Json {
    let mut properties = Map::new();
    for key in table.keys {
        let mut schema = of_shape(key.shape, defs);
        if let Some(object) = schema.as_object_mut() {
            object.insert("description".to_owned(), json!(key.doc));
        }
        properties.insert(key.name.to_owned(), schema);
    }
    let needed: Vec<&str> = table
        .keys
        .iter()
        .filter(|key| key.needed)
        .map(|key| key.name)
        .collect();
    let mut schema = json!({
        "type": "object",
        "description": table.doc,
        "properties": properties,
        "additionalProperties": false,
    });
    if !needed.is_empty() {
        schema["required"] = json!(needed);
    }
    if !table.groups.is_empty() {
        let one_of = |group: &&[&str]| {
            let each: Vec<Json> = group
                .iter()
                .map(|key| json!({ "required": [key] }))
                .collect();
            json!({ "oneOf": each })
        };
        schema["allOf"] = table.groups.iter().map(one_of).collect();
    }
    schema
}

fn of_shape(shape: &'static Shape, defs: &mut Map<String, Json>) -> Json {
    match shape {
        Shape::Format => json!({ "const": 1 }),
        Shape::Text | Shape::Template | Shape::Selector | Shape::Needs => {
            json!({ "type": "string" })
        }
        Shape::Words => json!({ "type": "string", "pattern": "\\S" }),
        Shape::Name | Shape::Of(_) => name(),
        Shape::Word(words) => json!({ "enum": words }),
        Shape::Pointer => json!({ "type": "string", "pattern": "^(/([^~]|~[01])*)?$" }),
        Shape::Path => json!({ "type": "string", "pattern": "^/([^/#\\\\\\s][^#\\\\\\s]*)?$" }),
        Shape::Address => {
            json!({ "type": "string", "anyOf": [{ "format": "ipv4" }, { "format": "ipv6" }] })
        }
        Shape::Service => json!({ "type": "string", "pattern": "^_[^.]{1,15}\\._[Tt][Cc][Pp]$" }),
        Shape::Flag => json!({ "type": "boolean" }),
        Shape::True => json!({ "const": true }),
        Shape::Whole => json!({ "type": "integer", "minimum": 0 }),
        Shape::Number => json!({ "type": "number" }),
        Shape::Json => json!({}),
        Shape::List(of) => json!({ "type": "array", "items": of_shape(of, defs) }),
        Shape::Map(keys, of) => {
            let mut schema = json!({
                "type": "object",
                "additionalProperties": of_shape(of, defs),
            });
            if !matches!(keys, Keys::Free) {
                schema["propertyNames"] = name();
            }
            schema
        }
        Shape::Table(table) => {
            if !defs.contains_key(table.name) {
                defs.insert(table.name.to_owned(), Json::Null);
                let schema = of_table(table, defs);
                defs.insert(table.name.to_owned(), schema);
            }
            json!({ "$ref": format!("#/$defs/{}", table.name) })
        }
        Shape::Either(word, other) => {
            json!({ "oneOf": [of_shape(word, defs), of_shape(other, defs)] })
        }
        Shape::Any(shapes) => {
            let each: Vec<Json> = shapes.iter().map(|shape| of_shape(shape, defs)).collect();
            json!({ "anyOf": each })
        }
    }
}

fn name() -> Json {
    json!({
        "type": "string",
        "pattern": "^[a-z][a-z0-9]*(-[a-z0-9]+)*$",
        "maxLength": 40,
    })
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;
    use crate::profile::builtin;

    fn folder() -> PathBuf {
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("profiles")
    }

    /// Compares, or with `LINKMEND_BLESS` set writes, a committed schema.
    fn committed(name: &str, schema: &Json) {
        let path = folder().join(name);
        let made = format!("{schema:#}\n");
        if std::env::var_os("LINKMEND_BLESS").is_some() {
            std::fs::write(&path, &made).expect("the folder of the profiles can be written");
        }
        let there = std::fs::read_to_string(&path).expect("the schema is committed");
        assert!(
            there == made,
            "`{name}` is not what the code makes; run the tests once with LINKMEND_BLESS=1"
        );
    }

    fn json_of(toml: &str) -> Json {
        let table: toml::Table = toml.parse().expect("TOML");
        serde_json::to_value(table).expect("TOML without dates is JSON")
    }

    fn validator(schema: &Json) -> jsonschema::Validator {
        jsonschema::draft202012::new(schema).expect("a schema of draft 2020-12")
    }

    #[test]
    fn the_committed_schemas_are_what_the_code_makes() {
        committed("family.schema.json", &schema());
        committed("system.schema.json", &system_schema());
    }

    #[test]
    fn every_built_in_file_fits_its_schema() {
        let family = validator(&schema());
        for (name, text) in builtin::FAMILIES {
            let faults: Vec<String> = family
                .iter_errors(&json_of(text))
                .map(|error| format!("{}: {error}", error.instance_path()))
                .collect();
            assert_eq!(faults, Vec::<String>::new(), "{name}");
        }
        let system = validator(&system_schema());
        for (name, text) in builtin::SYSTEMS {
            assert!(system.is_valid(&json_of(text)), "{name}");
        }
    }

    #[test]
    fn the_schema_refuses_what_the_loader_refuses_by_itself() {
        let family = validator(&schema());
        let (_, text) = builtin::FAMILIES[0];
        let sound = json_of(text);
        assert!(family.is_valid(&sound));
        let broken = |pointer: &str, key: &str, value: Json| {
            let mut file = sound.clone();
            file.pointer_mut(pointer).expect("it is there")[key] = value;
            !family.is_valid(&file)
        };
        assert!(broken("", "colour", json!("red")), "an unknown key");
        assert!(
            broken("/place/plate", "colour", json!("red")),
            "one deep inside"
        );
        assert!(
            broken("/place/plate", "line", json!("plate")),
            "two of a group"
        );
        assert!(broken("", "format", json!(2)), "another format");
        assert!(
            broken("/request/page", "get", json!("//host/")),
            "another host"
        );
        assert!(broken("", "role", json!("relay")), "an unknown word");
        assert!(broken("/request", "Page", json!({ "get": "/" })), "no name");
    }

    #[test]
    fn two_tables_of_one_name_are_one_table() {
        fn walk(shape: &'static Shape, seen: &mut Vec<&'static Table>) {
            match shape {
                Shape::List(of) | Shape::Map(_, of) => walk(of, seen),
                Shape::Either(a, b) => {
                    walk(a, seen);
                    walk(b, seen);
                }
                Shape::Table(table) if !seen.iter().any(|t| std::ptr::eq(*t, *table)) => {
                    seen.push(table);
                    for key in table.keys {
                        walk(key.shape, seen);
                    }
                }
                _ => {}
            }
        }
        let mut seen = Vec::new();
        for key in FAMILY.keys {
            walk(key.shape, &mut seen);
        }
        let names: std::collections::BTreeSet<&str> = seen.iter().map(|t| t.name).collect();
        assert_eq!(names.len(), seen.len());
    }
}
