//! Vectors of three and their rotations.

/// Three components.
pub type Vector = [f64; 3];

/// Rows of a rotation: `rotate(m, v)` gives the components of `v` along them.
pub type Matrix = [[f64; 3]; 3];

/// Sum.
pub fn add(a: Vector, b: Vector) -> Vector {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

/// Difference.
pub fn subtract(a: Vector, b: Vector) -> Vector {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// `v` times `s`.
pub fn scale(v: Vector, s: f64) -> Vector {
    [v[0] * s, v[1] * s, v[2] * s]
}

/// Scalar product.
pub fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Vector product.
pub fn cross(a: Vector, b: Vector) -> Vector {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

/// Length.
pub fn length(v: Vector) -> f64 {
    dot(v, v).sqrt()
}

/// The direction of `v`; not a number where `v` has no length.
pub fn unit(v: Vector) -> Vector {
    scale(v, 1.0 / length(v))
}

/// Angle between two vectors, rad, exact for small and large angles alike.
pub fn angle_between(a: Vector, b: Vector) -> f64 {
    length(cross(a, b)).atan2(dot(a, b))
}

/// Matrix times vector.
pub fn rotate(m: &Matrix, v: Vector) -> Vector {
    [dot(m[0], v), dot(m[1], v), dot(m[2], v)]
}

/// The inverse of a rotation times vector.
pub fn rotate_back(m: &Matrix, v: Vector) -> Vector {
    add(add(scale(m[0], v[0]), scale(m[1], v[1])), scale(m[2], v[2]))
}

/// Unit vector to a longitude and latitude in degrees.
pub fn towards(lon_deg: f64, lat_deg: f64) -> Vector {
    let (sin_lon, cos_lon) = lon_deg.to_radians().sin_cos();
    let (sin_lat, cos_lat) = lat_deg.to_radians().sin_cos();
    [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat]
}

/// Longitude (-180 to 180) and latitude of a direction, degrees.
pub fn lon_lat_deg(v: Vector) -> (f64, f64) {
    (v[1].atan2(v[0]).to_degrees(), v[2].atan2(v[0].hypot(v[1])).to_degrees())
}

/// Position angle in which `there` lies as seen around the line of sight `sight`: degrees 0 to
/// 360 from `north` through celestial east (counter-clockwise on the sky, north up).
pub fn position_angle_deg(sight: Vector, north: Vector, there: Vector) -> f64 {
    let east = cross(north, sight);
    let up = cross(sight, east);
    crate::angle::to_360(dot(there, unit(east)).atan2(dot(there, unit(up))).to_degrees())
}
