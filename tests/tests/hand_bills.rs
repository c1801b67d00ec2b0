//! Three whole years of bills against other code: `hand_bills.py` reckons them from the load's
//! own rows, to the cent.

use std::process::Command;
use wattless_tests::program;

#[test]
fn three_tariffs_agree_to_the_cent() {
    let folder = tempfile::TempDir::new().unwrap();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/hand_bills.py");
    let tariff = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/tariffs/millrace.toml");
    let mut python = Command::new("python3");
    let out = python.arg(script).arg(program::path()).arg(tariff).arg(folder.path()).output();
    let out = out.expect("python3");
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(out.status.success(), "{said}{}", String::from_utf8_lossy(&out.stderr));
    assert_eq!(said.lines().count(), 3, "{said}");
}
