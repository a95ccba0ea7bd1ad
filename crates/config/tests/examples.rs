//! The commented examples hold: each file of the examples folder passes the check without a warning.

use std::path::Path;

#[test]
fn every_example_passes_without_a_warning() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config");
    let mut seen = 0;
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|end| end != "toml") {
            continue;
        }
        let text = std::fs::read_to_string(&path).unwrap();
        let read_table = |table: &str| {
            std::fs::read_to_string(folder.join(table)).map_err(|error| error.to_string())
        };
        let checked = zonda_config::check_with(&path.display().to_string(), &text, &read_table)
            .unwrap_or_else(|faults| panic!("{faults}"));
        assert_eq!(checked.warnings.list(), [], "{}", checked.warnings);
        seen += 1;
    }
    assert!(seen >= 3, "only {seen} examples found");
}
