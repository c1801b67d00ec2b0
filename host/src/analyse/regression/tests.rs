use super::*;

#[track_caller]
fn digits(got: f64, want: f64, digits: i32) {
    let off = if want == 0.0 { got.abs() } else { ((got - want) / want).abs() };
    assert!(off < libm::pow(10.0, -f64::from(digits)), "{got} is not {want} to {digits} digits");
}

/// NIST Statistical Reference Datasets, linear regression, "Norris" (36 observations, lower
/// difficulty). Data and certified values as published, written down from memory.
#[test]
fn norris() {
    let y = [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
        668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3,
        888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
    ];
    let x = [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
        666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1,
        887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
    ];
    let fit = least_squares(&[vec![1.0; 36], x.to_vec()], &y, None, &[]).unwrap();
    digits(fit.coefficients[0], -0.262323073774029, 10);
    digits(fit.coefficients[1], 1.00211681802045, 12);
    let se = fit.standard_errors();
    digits(se[0], 0.232818234301152, 10);
    digits(se[1], 0.429796848199937e-3, 10);
    digits(fit.residual_sd, 0.884796396144373, 10);
    digits(fit.r_squared, 0.999993745883712, 12);
}

/// NIST StRD "Longley" (1967; 16 observations, 6 variables, higher difficulty: nearly collinear).
/// Data and certified values as published, written down from memory.
#[test]
fn longley() {
    let rows: [[f64; 7]; 16] = [
        [60323.0, 83.0, 234289.0, 2356.0, 1590.0, 107608.0, 1947.0],
        [61122.0, 88.5, 259426.0, 2325.0, 1456.0, 108632.0, 1948.0],
        [60171.0, 88.2, 258054.0, 3682.0, 1616.0, 109773.0, 1949.0],
        [61187.0, 89.5, 284599.0, 3351.0, 1650.0, 110929.0, 1950.0],
        [63221.0, 96.2, 328975.0, 2099.0, 3099.0, 112075.0, 1951.0],
        [63639.0, 98.1, 346999.0, 1932.0, 3594.0, 113270.0, 1952.0],
        [64989.0, 99.0, 365385.0, 1870.0, 3547.0, 115094.0, 1953.0],
        [63761.0, 100.0, 363112.0, 3578.0, 3350.0, 116219.0, 1954.0],
        [66019.0, 101.2, 397469.0, 2904.0, 3048.0, 117388.0, 1955.0],
        [67857.0, 104.6, 419180.0, 2822.0, 2857.0, 118734.0, 1956.0],
        [68169.0, 108.4, 442769.0, 2936.0, 2798.0, 120445.0, 1957.0],
        [66513.0, 110.8, 444546.0, 4681.0, 2637.0, 121950.0, 1958.0],
        [68655.0, 112.6, 482704.0, 3813.0, 2552.0, 123366.0, 1959.0],
        [69564.0, 114.2, 502601.0, 3931.0, 2514.0, 125368.0, 1960.0],
        [69331.0, 115.7, 518173.0, 4806.0, 2572.0, 127852.0, 1961.0],
        [70551.0, 116.9, 554894.0, 4007.0, 2827.0, 130081.0, 1962.0],
    ];
    let column = |k: usize| rows.iter().map(|r| r[k]).collect::<Vec<f64>>();
    let mut columns = vec![vec![1.0; 16]];
    columns.extend((1..7).map(column));
    let fit = least_squares(&columns, &column(0), None, &[]).unwrap();
    let certified = [
        (-3482258.63459582, 890420.383607373),
        (15.0618722713733, 84.9149257747669),
        (-0.358191792925910e-1, 0.334910077722432e-1),
        (-2.02022980381683, 0.488399681651699),
        (-1.03322686717359, 0.214274163161675),
        (-0.511041056535807e-1, 0.226073200069370),
        (1829.15146461355, 455.478499142212),
    ];
    let se = fit.standard_errors();
    for (k, (b, e)) in certified.into_iter().enumerate() {
        digits(fit.coefficients[k], b, 7);
        digits(se[k], e, 7);
    }
    digits(fit.residual_sd, 304.854073561965, 8);
    digits(fit.r_squared, 0.995479004577296, 10);
}

/// NIST StRD "Wampler1": y = 1 + x + x² + x³ + x⁴ + x⁵ for x = 0 to 20; every certified
/// coefficient is 1 exactly, the residual deviation 0.
#[test]
fn wampler1() {
    let x: Vec<f64> = (0..21).map(f64::from).collect();
    let power = |k: i32| x.iter().map(|x| (0..k).fold(1.0, |p, _| p * x)).collect::<Vec<f64>>();
    let columns: Vec<Vec<f64>> = (0..6).map(power).collect();
    let y: Vec<f64> = (0..21).map(|i| columns.iter().map(|c| c[i]).sum()).collect();
    let fit = least_squares(&columns, &y, None, &[]).unwrap();
    fit.coefficients.iter().for_each(|b| digits(*b, 1.0, 7));
}

/// Weighted least squares: the weighted mean and its variance σ²/Σw, by hand.
#[test]
fn weights_count() {
    let fit =
        least_squares(&[vec![1.0; 3]], &[1.0, 2.0, 6.0], Some(&[1.0, 1.0, 2.0]), &[]).unwrap();
    digits(fit.coefficients[0], 15.0 / 4.0, 12);
    digits(fit.unscaled_covariance[0][0], 0.25, 12);
}

/// A prior is one more row: mean 5 with the weight of 3 records and prior 1 of one record is 4.
#[test]
fn priors_pull_like_a_record() {
    let prior = Prior { column: 0, mean: 1.0, sd_over_residual_sd: 1.0 };
    let fit = least_squares(&[vec![1.0; 3]], &[5.0; 3], None, &[prior]).unwrap();
    digits(fit.coefficients[0], 4.0, 12);
}

#[test]
fn outliers_lose_their_pull() {
    let x: Vec<f64> = (0..200).map(f64::from).collect();
    let mut y: Vec<f64> = x.iter().map(|x| 3.0 + 0.5 * x + libm::sin(x * 12.9)).collect();
    y.iter_mut().step_by(20).for_each(|y| *y += 500.0);
    let columns = [vec![1.0; 200], x];
    let plain = least_squares(&columns, &y, None, &[]).unwrap();
    let fit = robust(&columns, &y, &[]).unwrap();
    assert!((plain.coefficients[0] - 3.0).abs() > 10.0);
    assert!((fit.coefficients[0] - 3.0).abs() < 0.6, "{:?}", fit.coefficients);
    assert!((fit.coefficients[1] - 0.5).abs() < 0.01);
}

#[test]
fn nothing_is_fitted_to_nothing() {
    let two = [vec![1.0; 2], vec![0.0, 1.0]];
    assert_eq!(
        least_squares(&two, &[1.0, 2.0], None, &[]),
        Err(FitError::TooFew { rows: 2, columns: 2 })
    );
    let same = [vec![1.0; 4], vec![2.0; 4]];
    assert_eq!(least_squares(&same, &[1.0; 4], None, &[]), Err(FitError::Dependent { column: 1 }));
    assert_eq!(median(&[]), None);
    assert_eq!(quantile(&[1.0, 2.0, 3.0], 0.25), Some(1.5));
}
