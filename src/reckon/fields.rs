//! Checks on a request's numbers, and the way back into JSON.

use serde_json::{Map, Value};

use super::ReckonError;

/// Greatest magnitude that any field takes: far beyond a set, far inside what doubles hold.
const GREATEST: f64 = 1e12;

/// Above 0, at most 1e12.
pub(super) fn positive(field: &'static str, found: f64) -> Result<f64, ReckonError> {
    // 1e-12: under it nothing on a set is meant, and squares stay ordinary numbers.
    check(field, found, (1e-12..=GREATEST).contains(&found), "between 1e-12 and 1e12")
}

/// 0 to 1e12.
pub(super) fn not_negative(field: &'static str, found: f64) -> Result<f64, ReckonError> {
    check(field, found, (0.0..=GREATEST).contains(&found), "between 0 and 1e12")
}

/// 0 to 1.
pub(super) fn ratio(field: &'static str, found: f64) -> Result<f64, ReckonError> {
    check(field, found, (0.0..=1.0).contains(&found), "between 0 and 1")
}

/// Either sign, at most 1e12 in size.
pub(super) fn signed(field: &'static str, found: f64) -> Result<f64, ReckonError> {
    check(field, found, (-GREATEST..=GREATEST).contains(&found), "between -1e12 and 1e12")
}

/// The number if `fits`.
pub(super) fn check(
    field: &'static str,
    found: f64,
    fits: bool,
    allowed: &'static str,
) -> Result<f64, ReckonError> {
    if fits { Ok(found) } else { Err(ReckonError::OutOfRange { field, found, allowed }) }
}

/// An answer under construction; refuses results that JSON cannot hold.
#[derive(Debug, Default)]
pub(super) struct Answer(Map<String, Value>);

impl Answer {
    pub(super) fn number(mut self, name: &'static str, value: f64) -> Result<Self, ReckonError> {
        if !value.is_finite() {
            return Err(ReckonError::NoNumber(name));
        }
        // -0.0 would be printed as "-0.0".
        self.0.insert(String::from(name), Value::from(value + 0.0));
        Ok(self)
    }

    /// `null` for none.
    pub(super) fn maybe(mut self, name: &'static str, value: Option<f64>) -> Result<Self, ReckonError> {
        match value {
            Some(value) => self.number(name, value),
            None => {
                self.0.insert(String::from(name), Value::Null);
                Ok(self)
            }
        }
    }

    pub(super) fn numbers(mut self, name: &'static str, values: &[f64]) -> Result<Self, ReckonError> {
        if values.iter().any(|value| !value.is_finite()) {
            return Err(ReckonError::NoNumber(name));
        }
        self.0.insert(String::from(name), values.iter().map(|v| Value::from(v + 0.0)).collect());
        Ok(self)
    }

    pub(super) fn other(mut self, name: &'static str, value: impl Into<Value>) -> Self {
        self.0.insert(String::from(name), value.into());
        self
    }

    pub(super) fn done(self) -> Map<String, Value> {
        self.0
    }
}
