//! A nudge as typed: `+1/3`, `-0.5`, `+200K`, `+10mired`, `+0.002duv`.

use crate::control::Request;

/// Turns what was typed into the request. Errors: one line that says what was found and what is
/// allowed.
pub fn parse(lamp: String, changes: &[String]) -> Result<Request, String> {
    let (mut stops, mut kelvin, mut mired, mut duv) = (None, None, None, None);
    for change in changes {
        let text = change.trim();
        let lower = text.to_lowercase();
        let (number, slot, unit) = if let Some(n) = lower.strip_suffix("mired") {
            (n, &mut mired, "mired")
        } else if let Some(n) = lower.strip_suffix("duv") {
            (n, &mut duv, "Duv")
        } else if let Some(n) = lower.strip_suffix("stops").or_else(|| lower.strip_suffix("stop")) {
            (n, &mut stops, "stops")
        } else if let Some(n) = lower.strip_suffix('k') {
            (n, &mut kelvin, "K")
        } else {
            (lower.as_str(), &mut stops, "stops")
        };
        let value = signed(number.trim()).ok_or_else(|| {
            let found = crate::words::short(text);
            format!("`{found}` is no change: write +1/3, -0.5, +200K, +10mired or +0.002duv")
        })?;
        if slot.replace(value).is_some() {
            return Err(format!("two changes in {unit}: give one"));
        }
    }
    Ok(Request::Nudge { lamp, stops, kelvin, mired, duv })
}

/// A number with its sign, a fraction allowed. The sign is required: `0.5` could mean "to 0.5".
fn signed(text: &str) -> Option<f64> {
    let rest = text.strip_prefix(['+', '-'])?;
    let value: f64 = match rest.split_once('/') {
        Some((a, b)) => {
            let (a, b) = match a.split_once(' ') {
                Some((whole, a)) => {
                    let (whole, a, b): (f64, f64, f64) =
                        (whole.parse().ok()?, a.parse().ok()?, b.parse().ok()?);
                    (whole * b + a, b)
                }
                None => (a.parse().ok()?, b.parse().ok()?),
            };
            a / b
        }
        None => rest.parse().ok()?,
    };
    let value = if text.starts_with('-') { -value } else { value };
    (value.is_finite() && !rest.starts_with(['+', '-'])).then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(changes: &[&str]) -> Result<Request, String> {
        parse("key".into(), &changes.iter().map(|c| (*c).to_owned()).collect::<Vec<_>>())
    }

    #[test]
    fn changes_are_read_as_the_contract_writes_them() {
        let Ok(Request::Nudge { stops, kelvin, mired, duv, .. }) = typed(&["+1/3", "-200K", "+0.002duv"])
        else {
            panic!("a nudge");
        };
        assert_eq!((stops, kelvin, mired, duv), (Some(1.0 / 3.0), Some(-200.0), None, Some(0.002)));
        let Ok(Request::Nudge { mired, .. }) = typed(&["+10mired"]) else { panic!("a nudge") };
        assert_eq!(mired, Some(10.0));
    }

    #[test]
    fn slips_are_refused_with_the_right_spelling() {
        for bad in ["0.5", "+", "+1/0", "+x", "++1", "+1/2/3", "+infinity", "+nan", ""] {
            assert!(typed(&[bad]).is_err(), "{bad}");
        }
        assert!(typed(&["+1", "-1"]).unwrap_err().contains("two changes"));
        assert!(typed(&["+\u{1b}[31m"]).unwrap_err().starts_with("`+·[31m` is no change"));
    }
}
