//! `shared/findings.md` is the catalogue of the code, for people. To write it anew after a
//! change: `DROPLINE_WRITE_SCHEMAS=1 cargo test --test project`.

use std::fmt::Write;
use std::path::Path;

use dropline::internal::health::catalogue;
use dropline::internal::words::CAUTIONS;

fn page() -> String {
    let mut page = String::from(
        "# What dropline finds\n\n\
         Each finding of a summary has a code, and how grave it is: fault, warning or note. This \
         page says what each means, what else would explain it and what to check, in order.\n\n",
    );
    for caution in CAUTIONS {
        writeln!(page, "- {caution}").unwrap();
    }
    let mut entries: Vec<_> = catalogue().collect();
    entries.sort_by_key(|entry| entry.code.name());
    for entry in entries {
        writeln!(page, "\n## {}\n\n{}\n", entry.code.name(), entry.means).unwrap();
        for other in entry.or_else {
            writeln!(page, "- or: {other}").unwrap();
        }
        for (index, check) in entry.check.iter().enumerate() {
            writeln!(page, "{}. {check}", index + 1).unwrap();
        }
    }
    page
}

#[test]
fn the_page_is_the_catalogue_of_the_code() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/findings.md");
    if std::env::var_os("DROPLINE_WRITE_SCHEMAS").is_some() {
        std::fs::write(&path, page()).unwrap();
    }
    let committed = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        committed == page(),
        "shared/findings.md differs; the top of this test says how to write it"
    );
}
