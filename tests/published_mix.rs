//! Mixing against a linear program solved by listing all vertices, and by scipy.

mod common;

use common::{Row, table};
use lampkeep::light::mix::{light_of, most_light, nearest};
use lampkeep::plan::Emitter;
use lampkeep::units::{Watts, Xy};

fn lamp(fixtures: &[Row], name: &str) -> Vec<Emitter> {
    let rows = fixtures.iter().filter(|row| &row["fixture"] == name);
    rows.map(|row| Emitter {
        name: String::from(&row["emitter"]),
        xy: Xy { x: row.number("x"), y: row.number("y") },
        lux_at_1m: row.number("Y"),
        watts: Watts::clamped(10.0),
        spectrum: None,
    })
    .collect()
}

/// Source: tests/reference/mix_targets.csv and mix_fixtures.csv (invented lamps; best of all basic
/// solutions, HiGHS agrees to 1.3e-14). Tolerance: flag equal, nearest 1e-6, distance 1e-6, light 1e-5
/// relative, as the header suggests.
#[test]
fn the_mix_of_most_light_is_the_published_one() {
    let fixtures = table("mix_fixtures.csv", 19);
    for row in table("mix_targets.csv", 300) {
        let id = &row["id"];
        let emitters = lamp(&fixtures, &row["fixture"]);
        assert!((2..=5).contains(&emitters.len()), "{id}");
        let target = Xy { x: row.number("x"), y: row.number("y") };
        let mix = most_light(&emitters, target);
        let near = nearest(&emitters, target).unwrap();
        assert_eq!((mix.in_gamut, near.in_gamut), (&row["in_gamut"] == "1", mix.in_gamut), "{id}");
        for xy in [mix.xy, near.xy] {
            assert!((xy.x - row.number("x_near")).abs() < 1e-6, "{id}: {xy:?}");
            assert!((xy.y - row.number("y_near")).abs() < 1e-6, "{id}: {xy:?}");
        }
        assert!((mix.distance_uv76 - row.number("dist_uv76")).abs() < 1e-6, "{id}: {mix:?}");
        assert!((mix.lux_at_1m / row.number("y_max_lux") - 1.0).abs() < 1e-5, "{id}: {mix:?}");
        // The drives, not just the figures beside them, make that light.
        let (lux, xy) = light_of(&emitters, &mix.drives);
        assert!((lux / row.number("y_max_lux") - 1.0).abs() < 1e-5, "{id}: {lux}");
        assert!(xy.unwrap().uv76().distance(mix.xy.uv76()) < 1e-12, "{id}");
    }
}
