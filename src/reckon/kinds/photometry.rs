//! The intensity of a measured lamp in one direction.

use serde::Deserialize;

use crate::light::ies::Photometry;
use crate::reckon::fields::{Answer, check};
use crate::reckon::{Files, ReckonError};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Candela {
    file: String,
    vertical_deg: f64,
    horizontal_deg: f64,
}

pub(super) fn candela(asked: Candela, files: &Files) -> Result<Answer, ReckonError> {
    let Candela { file, vertical_deg, horizontal_deg } = asked;
    let up = (0.0..=180.0).contains(&vertical_deg);
    check("vertical_deg", vertical_deg, up, "between 0 and 180 degrees")?;
    let round = (-360.0..=360.0).contains(&horizontal_deg);
    check("horizontal_deg", horizontal_deg, round, "between -360 and 360 degrees")?;
    let text = files(&file).map_err(ReckonError::File)?;
    let lamp = Photometry::read(&text).map_err(|error| ReckonError::Photometry { file, error })?;
    Answer::default().number("candela", lamp.candela(vertical_deg, horizontal_deg))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use crate::reckon::{answer, no_files};

    const ROUND: &str = "TILT=NONE\n1 -1 1 2 1 1 2 0 0 0 1 1 9\n0 90\n0\n80 0";

    #[test]
    fn the_file_is_asked_for_by_its_name_and_read_in_the_direction_asked() {
        let files = |path: &str| (path == "mole.ies").then(|| String::from(ROUND)).ok_or(String::new());
        let request =
            json!({ "kind": "candela", "file": "mole.ies", "vertical_deg": 45, "horizontal_deg": -90 });
        assert_eq!(answer(&request, &files).unwrap()["candela"], 40.0);
    }

    #[test]
    fn a_file_that_is_not_there_or_no_lamp_says_so() {
        let request = json!({ "kind": "candela", "file": "a.ies", "vertical_deg": 0, "horizontal_deg": 0 });
        let none = answer(&request, &no_files).unwrap_err();
        assert_eq!((none.kind(), none.to_string().as_str()), ("no-file", "files cannot be read here"));
        let wrong = answer(&request, &|_: &str| Ok(String::from("TILT=NONE\n1 x"))).unwrap_err();
        let said = "a.ies, line 2: lumens per lamp: `x` is no number";
        assert_eq!((wrong.kind(), wrong.to_string().as_str()), ("wrong-file", said));
        let beyond = json!({ "kind": "candela", "file": "a.ies", "vertical_deg": 181, "horizontal_deg": 0 });
        assert_eq!(answer(&beyond, &no_files).unwrap_err().kind(), "out-of-range");
    }
}
