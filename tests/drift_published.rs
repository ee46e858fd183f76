//! Statistics of drift against published figures.

#![expect(clippy::panic, reason = "a test whose chart has no such picture must stop")]

/// Control charts: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2, and tables of constants and run lengths.
mod charts {
    use loopgauge::drift::chart::{
        ChartRun, Cusum, D2, Ewma, Individuals, Parameters, Plot, PlotLine, Point, Rule, Setup, Side,
        run_chart,
    };
    use loopgauge::spec::Chart;
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::Pcg64;
    use rand_pcg::rand_core::SeedableRng;

    /// 6.3.2.2.
    const FLOW: [f64; 10] = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    /// The handbook's d2.
    const PRINTED_D2: f64 = 1.128;

    fn points(setup: &Setup, values: &[f64]) -> Vec<Point> {
        values.iter().map(|value| Point { value: *value, sigma: setup.sigma }).collect()
    }

    fn lines(run: &ChartRun) -> &[PlotLine] {
        let Plot::Lines(lines) = &run.plot else { panic!("no lines: {run:?}") };
        lines
    }

    /// NIST 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 with d2 = 1.128 (with 2/sqrt(pi) 55.8024);
    /// the limit of the moving range is 3.267 times its mean, 6.1347.
    #[test]
    fn individuals_have_the_handbooks_limits() {
        let setup = Setup::with_d2(&FLOW, PRINTED_D2).unwrap();
        assert!((setup.center - 50.81).abs() < 1e-12);
        assert!((setup.sigma * PRINTED_D2 - 1.8778).abs() < 5e-5);
        assert!((setup.sigma * PRINTED_D2 * 3.267 - 6.1347).abs() < 2e-4);
        let run = run_chart(
            Chart::Individuals,
            &setup,
            &points(&setup, &FLOW),
            &Parameters { individuals: SINGLE, ..Parameters::default() },
            1.0,
        );
        for (line, value) in lines(&run).iter().zip(FLOW) {
            assert_eq!(line.statistic, value);
            assert!((line.upper - 55.8041).abs() < 5e-5 && (line.lower - 45.8159).abs() < 5e-5, "{line:?}");
        }
        assert_eq!(run.signals, []);
        let exact = Setup::new(&FLOW).unwrap();
        assert!((exact.center + 3.0 * exact.sigma - 55.8024).abs() < 5e-5);
    }

    /// d2 for two values 1.1284 and 3/d2 2.659 (ISO 7870-2:2013 and ASTM MNL 7, from memory; by quadrature).
    #[test]
    fn the_constant_of_the_moving_range_is_the_tables() {
        let tables: f64 = "1.1284".parse().unwrap();
        assert!((D2 - tables).abs() < 5e-5);
        assert!((3.0 / D2 - 2.659).abs() < 5e-4);
    }

    /// NIST 6.3.2.4: twenty averages to the digits printed, steady-state limits 52.5884 and 47.4115 (47.41157 to more digits).
    #[test]
    fn moving_averages_are_the_handbooks() {
        let earlier = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5];
        let values: Vec<f64> = earlier.into_iter().chain(FLOW).collect();
        let printed = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
            49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        let setup = Setup { center: 50.0, sigma: 2.0539, groups: 20 };
        let steady = Ewma { steady_state: true, ..Ewma::default() };
        let parameters = Parameters { ewma: steady, ..Parameters::default() };
        let run = run_chart(Chart::Ewma, &setup, &points(&setup, &values), &parameters, 1.0);
        assert_eq!(lines(&run).len(), printed.len());
        for (line, printed) in lines(&run).iter().zip(printed) {
            // Half a unit of the last digit, and a hair for ties.
            assert!((line.statistic - printed).abs() < 0.005 + 1e-6, "{line:?}, {printed}");
            assert!((line.upper - 52.5884).abs() < 1e-4 && (line.lower - 47.41157).abs() < 1e-5, "{line:?}");
        }
        assert_eq!(run.signals, []);
        // The exact limits start at 3 x 0.3 sigma and come to the steady ones.
        let exact = run_chart(Chart::Ewma, &setup, &points(&setup, &values), &Parameters::default(), 1.0);
        assert!((lines(&exact)[0].upper - (50.0 + 0.9 * 2.0539)).abs() < 1e-9);
        assert!((lines(&exact)[19].upper - 52.5884).abs() < 1e-4);
        assert_eq!(exact.signals, []);
    }

    /// NIST 6.3.2.3: target 325, k 0.3175, h 4.1959 in the quantity's unit.
    #[test]
    fn cumulative_sums_are_the_handbooks() {
        let values = [
            324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
            324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
        ];
        let mut upper = [0.0; 20];
        upper[4] = 0.0325;
        upper[12..].copy_from_slice(&[3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035]);
        let mut lower = [0.0; 20];
        lower[..11]
            .copy_from_slice(&[0.0, 0.0075, 0.0, 0.3325, 0.0, 0.0, 0.5575, 0.715, 0.1725, 0.255, 0.3125]);
        let setup = Setup { center: 325.0, sigma: 1.0, groups: 20 };
        let cusum = Cusum { allowance: 0.3175, interval: 4.1959 };
        let parameters = Parameters { cusum, ..Parameters::default() };
        let run = run_chart(Chart::Cusum, &setup, &points(&setup, &values), &parameters, 1.0);
        let Plot::Sums(points) = &run.plot else { panic!("{run:?}") };
        assert_eq!((points[0].interval, points.len()), (4.1959, 20));
        for (k, point) in points.iter().enumerate() {
            assert!((point.upper - upper[k]).abs() < 1e-9, "{k}: {point:?}");
            assert!((point.lower - lower[k]).abs() < 1e-9, "{k}: {point:?}");
        }
        let first = run.first().unwrap();
        // The fourteenth group; the sum was last zero after the twelfth.
        assert_eq!((first.index, first.since, first.rule, first.side), (13, 12, Rule::Cusum, Side::High));
        assert!((first.value - 4.94).abs() < 1e-9 && first.limit == 4.1959);
        // All groups from there on, one lasting deviation.
        assert_eq!(run.signals.iter().map(|s| s.index).collect::<Vec<_>>(), (13..20).collect::<Vec<_>>());
        let spells = run.spells();
        assert_eq!(spells.len(), 1);
        assert_eq!((spells[0].since, spells[0].first, spells[0].last), (12, 13, 19));
    }

    /// The same data in a spread of 0.635, with allowance and interval as its multiples.
    #[test]
    fn sums_in_sigma_are_the_sums_in_the_unit() {
        let values = [324.925, 328.325, 327.250, 327.825, 328.500];
        let unit = Setup { center: 325.0, sigma: 1.0, groups: 20 };
        let scaled = Setup { sigma: 0.635, ..unit };
        let run = |setup: &Setup| {
            let k = 0.3175 / setup.sigma;
            let cusum = Cusum { allowance: k, interval: 4.1959 / setup.sigma };
            let parameters = Parameters { cusum, ..Parameters::default() };
            run_chart(Chart::Cusum, setup, &points(setup, &values), &parameters, 1.0)
        };
        let (one, other) = (run(&unit), run(&scaled));
        assert_eq!(one.signals.len(), other.signals.len());
        for (a, b) in one.signals.iter().zip(&other.signals) {
            assert!((a.value - b.value).abs() < 1e-9 && (a.limit - b.limit).abs() < 1e-9);
        }
    }

    const SINGLE: Individuals =
        Individuals { single: 3.0, two_of_three: None, four_of_five: None, in_a_row: None };

    fn z_run(kind: Chart, values: &[f64]) -> ChartRun {
        let setup = Setup { center: 0.0, sigma: 1.0, groups: 8 };
        run_chart(kind, &setup, &points(&setup, values), &Parameters::default(), 1.0)
    }

    /// Western Electric, Statistical Quality Control Handbook, 1956 (from memory): each rule at the group that completes it.
    #[test]
    fn run_rules_signal_where_they_are_complete() {
        let met = |values: &[f64]| {
            let run = z_run(Chart::Individuals, values);
            run.signals.iter().map(|s| (s.index, s.rule.name(), s.since, s.side.sign())).collect::<Vec<_>>()
        };
        assert_eq!(met(&[0.0, 3.01, 0.0]), [(1, "individuals", 1, 1.0)]);
        assert_eq!(met(&[0.0, 2.99, -2.99]), []);
        assert_eq!(met(&[2.1, 0.0, 2.1, 0.0]), [(2, "two-of-three", 0, 1.0)]);
        assert_eq!(met(&[2.1, 0.0, 0.0, 2.1]), []);
        assert_eq!(met(&[-1.1, -1.1, 0.5, -1.1, -1.1, 0.0]), [(4, "four-of-five", 0, -1.0)]);
        let mut run = [0.1; 9];
        run[0] = -0.1;
        assert_eq!(met(&run), [(8, "eight-in-a-row", 1, 1.0)]);
        assert_eq!(met(&run[..8]), []);
    }

    fn mean_run_length(kind: Chart, parameters: &Parameters, shift: f64, seed: u64) -> (f64, f64) {
        let mut random = Pcg64::seed_from_u64(seed);
        let known = Setup { center: 0.0, sigma: 1.0, groups: 8 };
        let runs = 4000;
        let lengths: Vec<f64> = (0..runs)
            .map(|_| {
                let (mut points, mut length) = (Vec::new(), 64);
                loop {
                    points.resize_with(length, || {
                        let normal: f64 = StandardNormal.sample(&mut random);
                        Point { value: shift + normal, sigma: 1.0 }
                    });
                    if let Some(signal) = run_chart(kind, &known, &points, parameters, 1.0).first() {
                        break (signal.index + 1) as f64;
                    }
                    length *= 2;
                }
            })
            .collect();
        let mean = lengths.iter().sum::<f64>() / f64::from(runs);
        let squares: f64 = lengths.iter().map(|length| (length - mean).powi(2)).sum();
        (mean, squares.sqrt() / f64::from(runs))
    }

    /// Mean run lengths by exact Markov chain; without a shift those of C. W. Champ and W. H. Woodall, Technometrics 1987 (from
    /// memory). Of all rules, of each one with the first, of the sums and of the average.
    #[test]
    fn mean_run_lengths_are_the_exact_ones() {
        let rules = |two_of_three, four_of_five, in_a_row| Parameters {
            individuals: Individuals { single: 3.0, two_of_three, four_of_five, in_a_row },
            ..Parameters::default()
        };
        let steady =
            Parameters { ewma: Ewma { steady_state: true, ..Ewma::default() }, ..Parameters::default() };
        let individuals = Chart::Individuals;
        for (seed, (kind, parameters, shift, exact)) in (40..).zip([
            (individuals, rules(None, None, None), 1.0, 43.89),
            (individuals, rules(Some(2.0), None, None), 0.0, 225.44),
            (individuals, rules(None, Some(1.0), None), 0.0, 166.05),
            (individuals, rules(None, None, Some(8)), 0.0, 152.73),
            (individuals, Parameters::default(), 0.0, 91.75),
            (individuals, Parameters::default(), 1.0, 9.22),
            (Chart::Cusum, Parameters::default(), 0.0, 465.44),
            (Chart::Cusum, Parameters::default(), 1.0, 10.376),
            (Chart::Ewma, steady, 0.0, 465.6),
            (Chart::Ewma, steady, 2.0, 3.51),
        ]) {
            let (mean, error) = mean_run_length(kind, &parameters, shift, seed);
            println!("{kind:?} {shift}: {mean:.2} ({error:.2}), {exact}");
            assert!((mean - exact).abs() < 3.0 * error, "{kind:?} {shift}: {mean} ({error}), {exact}");
        }
    }
}
