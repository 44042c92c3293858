//! What holds of `lampkeep reckon --lines`, whatever comes in.

use lampkeep::reckon;
use serde_json::Value;

use crate::said;

/// A beam for requests that name a file.
const BEAM: &str = "IESNA:LM-63-2002\nTILT=NONE\n1 1000 1 3 1 1 2 0 0 0\n1 1 10\n0 45 90\n0\n100 50 0\n";

/// Answers the lines of `input` and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    let mut output = Vec::new();
    let file =
        |path: &str| if path.contains("no") { Err("no such file".to_owned()) } else { Ok(BEAM.to_owned()) };
    reckon::lines(input, &mut output, &file).expect("memory can be written");
    let asked = input.split_inclusive(|b| *b == b'\n').count();
    let answers: Vec<&[u8]> = output.split(|b| *b == b'\n').collect();
    assert_eq!(answers.len(), asked + 1, "one answer a line");
    for answer in &answers[..asked] {
        let answer: Value = serde_json::from_slice(answer).expect("an answer is JSON");
        if let Some(error) = answer.get("error") {
            for part in ["said", "hint"] {
                said::is_fit(error[part].as_str().expect("words"), 1000, false);
            }
        }
    }
}
