//! A fuzzer that is not ours, driven by the description that the service gives of itself.

use std::process::Command;

use super::clients::{ends_well, running};

/// Requests for each operation: more find little more, and the whole must not take minutes.
const EXAMPLES: &str = "4";

/// What it checks of each answer: no failure of ours, and only statuses, types and content that the description has.
const CHECKS: &str = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance,\
                      response_headers_conformance,unsupported_method,allow_header_conformance";

#[tokio::test(flavor = "multi_thread")]
async fn a_fuzzer_driven_by_the_description_finds_no_failure_and_nothing_that_is_not_described() {
    let running = running().await;
    let root = running.base().trim_end_matches("/fhir").to_owned();
    let work = tempfile::tempdir().unwrap();
    let mut command = Command::new("python3");
    command
        .args(["-c", "from schemathesis.cli import schemathesis; schemathesis()", "run"])
        .arg(format!("{root}/openapi.json"))
        .args(["--url", &root, "--seed", "1", "--max-examples", EXAMPLES, "--checks", CHECKS])
        .args([
            "--phases",
            "examples,coverage,fuzzing",
            "--suppress-health-check",
            "all",
            "--no-shrink",
            "--no-color",
            // two of its threads at once trip over a fault of Python's own parser
            "--workers",
            "1",
        ])
        .env("PYTHONPATH", super::folder("schemathesis"))
        .current_dir(work.path());
    ends_well(command).await;
    running.shutdown().await.unwrap();
}
