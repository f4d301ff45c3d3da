//! The JSON Schemas in `shared/` are those of the code. To write them anew after a change:
//! `DROPLINE_WRITE_SCHEMAS=1 cargo test --test project`.

use std::path::Path;

use dropline::Summary;
use dropline::internal::output::Conversion;
use dropline::summary::{Comparison, Trend};

fn held_in_step(name: &str, schema: &schemars::Schema) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared").join(name);
    let current = format!("{:#}\n", schema.as_value());
    if std::env::var_os("DROPLINE_WRITE_SCHEMAS").is_some() {
        std::fs::write(&path, &current).unwrap();
    }
    let committed = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        committed == current,
        "{} is not what the code says; see the top of this test for how to write it anew",
        path.display()
    );
}

#[test]
fn the_comparison_schemas_are_those_of_the_code() {
    held_in_step("comparison.schema.json", &Comparison::schema());
    held_in_step("trend.schema.json", &Trend::schema());
}

#[test]
fn the_conversion_schema_is_that_of_the_code() {
    held_in_step("conversion.schema.json", &Conversion::schema());
}

#[test]
fn the_summary_schema_is_that_of_the_code() {
    held_in_step("summary.schema.json", &Summary::schema());
}

#[test]
fn the_capture_schemas_are_those_of_the_code() {
    let [header, record] = dropline::internal::wire::capture_schemas();
    held_in_step("capture-header.schema.json", &header);
    held_in_step("capture-record.schema.json", &record);
}

#[test]
fn the_plan_report_schema_is_that_of_the_code() {
    let schema = schemars::schema_for!(dropline::planning::PlanReport);
    held_in_step("plan-report.schema.json", &schema);
}
