//! Vectors in metres, on the axes of `plan::place`.

use crate::plan::Metres;

/// `a` minus `b`.
pub fn minus(a: Metres, b: Metres) -> Metres {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// `a` plus `k` times `b`.
pub fn plus(a: Metres, k: f64, b: Metres) -> Metres {
    [a[0] + k * b[0], a[1] + k * b[1], a[2] + k * b[2]]
}

/// Scalar product.
pub fn dot(a: Metres, b: Metres) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Vector product.
pub fn cross(a: Metres, b: Metres) -> Metres {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

/// Length.
pub fn length(a: Metres) -> f64 {
    dot(a, a).sqrt()
}

/// The same direction with length 1; `None` for a vector of no length.
pub fn unit(a: Metres) -> Option<Metres> {
    let length = length(a);
    (length > 1e-12).then(|| a.map(|c| c / length))
}

/// Two unit vectors square to `axis` (of length 1) and to each other, the first horizontal.
pub fn across(axis: Metres) -> (Metres, Metres) {
    let side = unit(cross([0.0, 0.0, 1.0], axis)).unwrap_or([1.0, 0.0, 0.0]);
    (side, cross(axis, side))
}
