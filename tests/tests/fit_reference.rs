//! Least squares and Student's t against numpy and scipy (both BSD), fetched by pip when this runs.

use serde_json::{Value, json};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use wattless::analyse::regression::{least_squares, student};
use wattless::bench::chance::Chance;

/// Python with numpy and scipy, in an environment of its own under the target folder.
fn python() -> String {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("reference-python");
    let python = folder.join("bin/python");
    let has = |python: &Path| {
        Command::new(python)
            .args(["-c", "import numpy, scipy"])
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|s| s.success())
    };
    if !has(&python) {
        let made = Command::new("python3").args(["-m", "venv"]).arg(&folder).status();
        assert!(made.is_ok_and(|s| s.success()), "python3 cannot make an environment");
        let pip =
            ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "numpy", "scipy"];
        let installed = Command::new(&python).args(pip).status();
        assert!(installed.is_ok_and(|s| s.success()), "pip cannot install numpy and scipy");
    }
    python.display().to_string()
}

#[test]
fn numpy_and_scipy_agree() {
    let mut chance = Chance::new(11, "reference");
    let n = 500;
    let mut columns = vec![Vec::new(); 5];
    let (mut y, mut weights) = (Vec::new(), Vec::new());
    for _ in 0..n {
        let p = chance.between([5.0, 120.0]);
        let u = chance.between([0.96, 1.04]);
        let row = [1.0, p, p * p, u * u, libm::log(u) * 50.0];
        columns.iter_mut().zip(row).for_each(|(c, x)| c.push(x));
        y.push(20.0 + 0.4 * p + 0.001 * p * p + 12.0 * u * u + 3.0 * chance.normal());
        weights.push(chance.between([0.1, 1.0]));
    }
    let asked: Vec<(f64, f64)> = [0.5, 0.68, 0.9, 0.95, 0.99, 0.999]
        .iter()
        .flat_map(|c| [1.0, 2.5, 4.0, 7.3, 30.0, 200.0, 1e5].map(|f| (*c, f)))
        .collect();
    let question = json!({"columns": columns, "y": y, "weights": weights, "t": asked});
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_fit.py");
    let mut child = Command::new(python())
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(question.to_string().as_bytes()).unwrap();
    let out = child.wait_with_output().unwrap();
    assert!(out.status.success());
    let answer: Value = serde_json::from_slice(&out.stdout).unwrap();

    let fit = least_squares(&columns, &y, Some(&weights), &[]).unwrap();
    let near = |got: f64, want: &Value, what: &str| {
        let want = want.as_f64().unwrap();
        assert!((got - want).abs() <= 1e-7 * want.abs(), "{what}: {got} is not {want}");
    };
    for (k, b) in fit.coefficients.iter().enumerate() {
        near(*b, &answer["coefficients"][k], "coefficient");
        near(fit.standard_errors()[k], &answer["standard_errors"][k], "standard error");
    }
    near(fit.residual_sd, &answer["residual_sd"], "residual deviation");
    for (k, (confidence, freedom)) in asked.into_iter().enumerate() {
        near(student::quantile(confidence, freedom), &answer["t"][k], "t");
    }
}
