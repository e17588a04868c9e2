//! The example of `deploy/spark` on a cluster of two workers, against one replay of the whole: see
//! `tests/outside/spark/run`.

use std::path::Path;
use std::process::Command;

#[test]
fn spark_partitions_add_up_to_the_same_bytes() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("spark");
    if folder.exists() {
        std::fs::remove_dir_all(&folder).unwrap();
    }
    std::fs::create_dir_all(&folder).unwrap();
    let output = Command::new(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/spark/run"))
        .args([Path::new(env!("CARGO_BIN_EXE_terce")), &folder])
        .env("TERCE_OUTSIDE", super::root())
        .output()
        .unwrap();
    let (said, wrong) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{said}{wrong}");
}
