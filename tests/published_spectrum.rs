//! Spectra to colour figures, against values worked out outside with two independent libraries.

mod common;

use common::{Row, table};
use lampkeep::light::spectrum::{Reference, Spectrum};
use lampkeep::reckon;
use lampkeep::units::Kelvin;
use serde_json::json;

fn column(rows: &[Row], name: &str) -> Vec<f64> {
    rows.iter().map(|row| row.number(name)).collect()
}

fn illuminant(name: &str) -> (Vec<f64>, Vec<f64>) {
    let rows = table("illuminant_spectra.csv", 81);
    (column(&rows, "wavelength_nm"), column(&rows, name))
}

fn emitter(name: &str) -> (Vec<f64>, Vec<f64>) {
    let rows = table(&format!("emitters/{name}.csv"), 81);
    (column(&rows, "wavelength_nm"), column(&rows, "power"))
}

/// The same spectrum on straight lines at 1 nm.
fn at_1_nm((nm, power): &(Vec<f64>, Vec<f64>)) -> (Vec<f64>, Vec<f64>) {
    let fine = (380_u16..=780).map(f64::from);
    fine.map(|at| {
        let low = (((at - 380.0) / 5.0) as usize).min(nm.len() - 2);
        (at, power[low] + (power[low + 1] - power[low]) * (at - nm[low]) / 5.0)
    })
    .unzip()
}

fn near(of: &str, ours: f64, row: &Row, column: &str, tolerance: f64) {
    let printed = row.number(column);
    assert!((ours - printed).abs() <= tolerance, "{of}: {column} {ours}, printed {printed}");
}

/// Source: tests/reference/illuminants.csv (CIE 15 and CIE LED illuminants; CIE 15, CIE 13.3-1995, CIE
/// 224:2017, ANSI/IES TM-30-18, SMPTE ST 2122). Tolerances as its header suggests: x,y 2e-6 (5e-4
/// against the printed pairs, which are rounded); CCT 1e-5 relative; Duv 1e-6; Ra 0.1 and Rf 0.3, which
/// cover the choices of CCT and rounding; SSI 0.05. For Rg the header has none: 0.3, as for Rf.
#[test]
fn the_cie_illuminants_have_their_published_figures() {
    for row in table("illuminants.csv", 11) {
        let name = &row["name"];
        assert_eq!(row.number("interval_nm"), 5.0);
        let (nm, power) = illuminant(name);
        let spectrum = Spectrum::new(&nm, &power).unwrap();
        let close = |ours: f64, column: &str, tolerance: f64| near(name, ours, &row, column, tolerance);
        let xy = spectrum.xy();
        close(xy.x, "x", 2e-6);
        close(xy.y, "y", 2e-6);
        close(xy.x, "x_published", 5e-4);
        close(xy.y, "y_published", 5e-4);
        let (kelvin, duv) = spectrum.kelvin().unwrap();
        close(kelvin.get(), "cct_k", 1e-5 * row.number("cct_k"));
        close(duv.get(), "duv", 1e-6);
        let ra = spectrum.ra().unwrap();
        close(ra, "ra", 0.1);
        close(ra, "ra_colour", 0.1);
        let fidelity = spectrum.fidelity().unwrap();
        for column in ["rf_cie224", "rf_cie224_luxpy", "rf_tm30"] {
            close(fidelity.rf, column, 0.3);
        }
        close(fidelity.rg.unwrap(), "rg_tm30", 0.3);
        let ssi = spectrum.ssi().unwrap();
        close(ssi, "ssi", 0.05);
        close(ssi.round(), "ssi_rounded", 0.0);
        let own = match &row["ssi_reference"] {
            "planck" => Reference::Planckian(kelvin),
            "cie-d" => Reference::Daylight(kelvin),
            other => panic!("{other}"),
        };
        assert_eq!(spectrum.ssi_to(own), Some(ssi), "{name}");
        let tungsten = Reference::Planckian(Kelvin::new(3200.0).unwrap());
        close(spectrum.ssi_to(tungsten).unwrap(), "ssi_p3200", 0.05);
        let daylight = Reference::Daylight(Kelvin::new(5500.0).unwrap());
        close(spectrum.ssi_to(daylight).unwrap(), "ssi_d5500", 0.05);
    }
}

/// DIFFERENCE: that library averages indices rounded to whole numbers, we unrounded ones; the header of
/// tests/reference/illuminants.csv gives up to 0.21 for it, and Ra itself has 0.1.
#[test]
fn ra_is_near_that_of_a_library_that_rounds_each_index() {
    for row in table("illuminants.csv", 11) {
        let (nm, power) = illuminant(&row["name"]);
        near(&row["name"], Spectrum::new(&nm, &power).unwrap().ra().unwrap(), &row, "ra_luxpy", 0.31);
    }
}

/// Source: tests/reference/emitters/index.csv (invented spectra). Tolerances as its header suggests: x,y
/// 2e-6, Ra 0.1, Rf 0.3, SSI 0.05, CCT and Duv as in illuminants.csv; figures for the whites alone.
#[test]
fn the_invented_emitters_have_their_published_figures() {
    for row in table("emitters/index.csv", 7) {
        let name = &row["emitter"];
        let given = emitter(name);
        let spectrum = Spectrum::new(&given.0, &given.1).unwrap();
        near(name, spectrum.xy().x, &row, "x", 2e-6);
        near(name, spectrum.xy().y, &row, "y", 2e-6);
        near(name, spectrum.xy().uv76().u, &row, "u76", 2e-6);
        near(name, spectrum.xy().uv76().v, &row, "v76", 2e-6);
        let (nm, power) = at_1_nm(&given);
        let fine = Spectrum::new(&nm, &power).unwrap();
        near(name, fine.xy().x, &row, "x_1nm", 2e-6);
        near(name, fine.xy().y, &row, "y_1nm", 2e-6);
        if row["cct_k"].is_empty() {
            continue;
        }
        let (kelvin, duv) = spectrum.kelvin().unwrap();
        near(name, kelvin.get(), &row, "cct_k", 1e-5 * row.number("cct_k"));
        near(name, duv.get(), &row, "duv", 1e-6);
        near(name, spectrum.ra().unwrap(), &row, "ra", 0.1);
        near(name, spectrum.fidelity().unwrap().rf, &row, "rf", 0.3);
        near(name, spectrum.ssi().unwrap(), &row, "ssi", 0.05);
    }
}

/// Source: tests/reference/illuminants.csv, row FL7; the way through JSON. Tolerances: as above.
#[test]
fn the_published_figures_come_through_json() {
    let rows = table("illuminants.csv", 11);
    let row = rows.iter().find(|row| &row["name"] == "FL7").unwrap();
    let (nm, power) = illuminant("FL7");
    let request = json!({ "kind": "spectrum", "wavelength_nm": nm, "power": power });
    let found = reckon::answer(&request, &reckon::no_files).unwrap();
    for (field, column, tolerance) in [
        ("x", "x", 2e-6),
        ("y", "y", 2e-6),
        ("kelvin", "cct_k", 0.06),
        ("duv", "duv", 1e-6),
        ("ra", "ra", 0.1),
        ("rf", "rf_tm30", 0.3),
        ("rg", "rg_tm30", 0.3),
        ("ssi", "ssi", 0.05),
    ] {
        near("FL7", found[field].as_f64().unwrap(), row, column, tolerance);
    }
}

/// Source: colour-science 0.4.7, `colour_fidelity_index_ANSIIESTM3018` of the spectra of
/// tests/reference/illuminant_spectra.csv on straight lines at 1 nm (`numpy.interp`), with its 1 nm table
/// of samples. Tolerance: 0.3 as at 5 nm; ours takes the 5 nm samples on straight lines.
#[test]
fn at_1_nm_rf_and_rg_agree_with_the_1_nm_table_of_samples() {
    for (name, rf, rg) in [
        ("FL2", 70.2078190631, 86.4382940393),
        ("FL11", 80.1480626498, 100.961388436),
        ("LED-BH1", 85.3178417969, 106.636165837),
    ] {
        let (nm, power) = at_1_nm(&illuminant(name));
        let fidelity = Spectrum::new(&nm, &power).unwrap().fidelity().unwrap();
        assert!((fidelity.rf - rf).abs() < 0.3, "{name}: {}", fidelity.rf);
        assert!((fidelity.rg.unwrap() - rg).abs() < 0.3, "{name}: {:?}", fidelity.rg);
    }
}
