//! The plane that fits best over the compared px of a cell.

/// The constants and planes over the compared px of a cell.
pub(super) struct Basis {
    /// Number of px.
    pub n: f32,
    middle: (f32, f32),
    /// Sums of the squares of x and y.
    squares: (f32, f32),
}

impl Basis {
    /// Of so many columns and compared rows.
    pub fn new(across: usize, rows: usize) -> Basis {
        let (across, rows) = (across as f32, rows as f32);
        // Sum of (i - m)^2 over n whole numbers: n (n^2 - 1) / 12.
        let spread = |n: f32| n * (n * n - 1.0) / 12.0;
        Basis {
            n: across * rows,
            middle: (0.5 * (across - 1.0), 0.5 * (rows - 1.0)),
            squares: (rows * spread(across), across * spread(rows)),
        }
    }

    /// Column `i` from the middle.
    pub fn x(&self, i: usize) -> f32 {
        i as f32 - self.middle.0
    }

    /// Compared row `j` from the middle.
    pub fn y(&self, j: usize) -> f32 {
        j as f32 - self.middle.1
    }

    /// What fits best at (i, j), from the sums of the values, and of the values times x and y.
    pub fn plane(&self, sums: &[f32; 3], i: usize, j: usize) -> f32 {
        let slope = |sum: f32, square: f32| if square > 0.0 { sum / square } else { 0.0 };
        sums[0] / self.n.max(1.0)
            + slope(sums[1], self.squares.0) * self.x(i)
            + slope(sums[2], self.squares.1) * self.y(j)
    }

    /// What is left of a sum of squares without the plane.
    pub fn left(&self, ff: f32, [f, fx, fy]: [f32; 3]) -> f32 {
        let part = |sum: f32, square: f32| if square > 0.0 { sum * sum / square } else { 0.0 };
        (ff - part(f, self.n) - part(fx, self.squares.0) - part(fy, self.squares.1)).max(0.0)
    }
}
