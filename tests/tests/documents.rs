//! What the documents name exists.

use std::path::Path;

#[test]
fn every_check_in_the_table_is_a_test_that_exists() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let table = std::fs::read_to_string(root.join("docs/external-checks.md")).expect("the table");
    let mut checked = 0;
    for name in table.split('`').filter(|text| text.contains(".rs::")) {
        let (file, function) = name.split_once("::").expect("a file and a function");
        let code = std::fs::read_to_string(root.join(file));
        let code = code.unwrap_or_else(|error| panic!("{file}: {error}"));
        assert!(
            code.contains(&format!("fn {function}(")),
            "{name} does not exist"
        );
        checked += 1;
    }
    assert!(checked > 30, "{checked} checks found");
}
