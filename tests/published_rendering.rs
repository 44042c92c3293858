//! The mix of best Rf against a fine grid over all mixes, with the reference set's invented emitters.

mod common;

use common::table;
use lampkeep::light::colour;
use lampkeep::light::mix::{Aimed, light_of};
use lampkeep::light::spectrum::{Judge, Palette, Spectrum};
use lampkeep::plan::{Emitter, MAX_EMITTERS};
use lampkeep::units::{Duv, Kelvin, Watts};

const NAMES: [&str; 7] = ["red", "green", "blue", "amber", "lime", "warm-white", "cool-white"];

fn reference(name: &str) -> Spectrum {
    let rows = table(&format!("emitters/{name}.csv"), 81);
    let column = |of: &str| rows.iter().map(|row| row.number(of)).collect::<Vec<_>>();
    Spectrum::new(&column("wavelength_nm"), &column("power")).expect("a spectrum")
}

/// A band of light: a Gaussian in wavelength.
fn band(peak: f64, width: f64) -> Spectrum {
    let nm: Vec<f64> = (380..=780).step_by(5).map(f64::from).collect();
    let power: Vec<f64> =
        nm.iter().map(|nm| (-4.0 * 2.0_f64.ln() * ((nm - peak) / width).powi(2)).exp()).collect();
    Spectrum::new(&nm, &power).expect("a spectrum")
}

/// Numbers that look random, the same in every run.
struct Dice(u64);

impl Dice {
    /// 0 to 1.
    fn roll(&mut self) -> f64 {
        // Numerical Recipes' linear congruential generator.
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }
}

struct Lamp {
    emitters: Vec<Emitter>,
    palette: Palette,
}

impl Lamp {
    fn of(spectra: Vec<(Spectrum, f64)>) -> Self {
        let emitter = |(spectrum, lux): &(Spectrum, f64)| Emitter {
            name: String::from("e"),
            xy: spectrum.xy(),
            lux_at_1m: *lux,
            watts: Watts::clamped(10.0),
            spectrum: None,
        };
        Self { emitters: spectra.iter().map(emitter).collect(), palette: Palette::of(&spectra) }
    }

    fn any(dice: &mut Dice, count: usize) -> Self {
        let spectra = (0..count).map(|_| {
            let lux = 30.0 * 40.0_f64.powf(dice.roll());
            if dice.roll() < 0.6 {
                (reference(NAMES[(dice.roll() * 7.0) as usize]), lux)
            } else {
                (band(440.0 + 220.0 * dice.roll(), 15.0 + 100.0 * dice.roll()), lux)
            }
        });
        Self::of(spectra.collect())
    }
}

/// The best Rf of a grid over the mixes of 4 or 5 emitters: one or two drives in `steps` steps each, the
/// others solved for.
fn best_of_grid(
    lamp: &Lamp,
    full: f64,
    target: lampkeep::units::Xy,
    level: f64,
    judge: &Judge<'_>,
    steps: usize,
) -> f64 {
    let n = lamp.emitters.len();
    let t = target.uv76();
    let column = |i: usize| {
        let e = &lamp.emitters[i];
        let uv = e.xy.uv76();
        let w = 9.0 * e.lux_at_1m / uv.v;
        [e.lux_at_1m / full, w * (uv.u - t.u) / full, w * (uv.v - t.v) / full]
    };
    let det = |a: [f64; 3], b: [f64; 3], c: [f64; 3]| {
        a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0])
            + a[2] * (b[0] * c[1] - b[1] * c[0])
    };
    // The three that span the most are solved for.
    let mut solved = [0, 1, 2];
    let mut span = 0.0;
    for i in 0..n {
        for j in i + 1..n {
            for k in j + 1..n {
                let d = det(column(i), column(j), column(k)).abs();
                if d > span {
                    (solved, span) = ([i, j, k], d);
                }
            }
        }
    }
    let free: Vec<usize> = (0..n).filter(|i| !solved.contains(i)).collect();
    let [a, b, c] = solved.map(column);
    let whole = det(a, b, c);
    let most = |i: usize| (1.0 / level).min(full / lamp.emitters[i].lux_at_1m);
    let mut best = 0.0_f64;
    let second = if free.len() == 2 { steps } else { 0 };
    for s in 0..=steps {
        for r in 0..=second {
            let mut mix = [0.0; MAX_EMITTERS];
            let mut rest = [1.0, 0.0, 0.0];
            for (at, i) in [s, r].into_iter().zip(&free) {
                mix[*i] = most(*i) * at as f64 / steps as f64;
                for (left, takes) in rest.iter_mut().zip(column(*i)) {
                    *left -= mix[*i] * takes;
                }
            }
            mix[solved[0]] = det(rest, b, c) / whole;
            mix[solved[1]] = det(a, rest, c) / whole;
            mix[solved[2]] = det(a, b, rest) / whole;
            if (0..n).all(|i| (0.0..=1.0 / level).contains(&mix[i])) {
                best = best.max(judge.rf(&mix));
            }
        }
    }
    best
}

struct Found {
    rf: f64,
    grid: f64,
    output: f64,
}

fn compare(dice: &mut Dice, count: usize, steps: usize) -> Option<Found> {
    let lamp = Lamp::any(dice, count);
    let kelvin = Kelvin::clamped(1e6 / (120.0 + 260.0 * dice.roll()));
    let target = colour::xy_of(kelvin, Duv::clamped(0.008 * (dice.roll() - 0.5)));
    let level = [0.02, 0.3, 0.7, 0.95][(dice.roll() * 4.0) as usize];
    let aimed = Aimed::at_xy(&lamp.emitters, target)?;
    let full = aimed.most_light();
    if !full.in_gamut {
        return None;
    }
    let judge = lamp.palette.judge(colour::kelvin_of(target)?.0);
    let mix = aimed.best_rendering(full.lux_at_1m, level, &judge);
    // It gives the light and the colour.
    let drives = mix.map(|m| m * level);
    assert!(drives.iter().all(|w| (0.0..=1.0 + 1e-9).contains(w)), "{drives:?}");
    let (lux, xy) = light_of(&lamp.emitters, &drives);
    assert!((lux / (full.lux_at_1m * level) - 1.0).abs() < 1e-6, "{lux} {}", full.lux_at_1m * level);
    assert!(xy.expect("light").uv76().distance(target.uv76()) < 1e-6);
    let grid = best_of_grid(&lamp, full.lux_at_1m, target, level, &judge, steps);
    Some(Found { rf: judge.rf(&mix), grid, output: judge.rf(&full.drives) })
}

fn run(cases: usize, steps: usize) {
    let mut dice = Dice(20_110);
    let mut gaps = Vec::new();
    let mut gain = 0.0_f64;
    while gaps.len() < cases {
        let count = if gaps.len() % 3 == 0 { 4 } else { 5 };
        let Some(found) = compare(&mut dice, count, steps) else { continue };
        gaps.push(found.grid - found.rf);
        gain = gain.max(found.rf - found.output);
    }
    gaps.sort_by(f64::total_cmp);
    let at = |share: f64| gaps[((gaps.len() - 1) as f64 * share) as usize];
    println!(
        "grid over search in Rf, {cases} lamps: median {:.4}, p99 {:.4}, worst {:.4}; best gain over output {gain:.1}",
        at(0.5),
        at(0.99),
        at(1.0)
    );
    assert!(at(1.0) <= 0.5, "worst {}", at(1.0));
}

/// Source: every mix of a grid, fine enough that a step moves Rf by less than the 0.5 allowed.
#[test]
fn the_search_is_within_half_an_rf_of_a_fine_grid() {
    run(12, 24);
}

/// The same over many lamps and a finer grid; prints how far the search falls short.
#[test]
#[ignore = "long: run it in release"]
fn the_search_is_within_half_an_rf_of_a_finer_grid_for_many_lamps() {
    run(400, 80);
}
