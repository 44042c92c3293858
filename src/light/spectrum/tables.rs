//! The printed tables behind the figures, read once from the text files beside this module.
//!
//! Between printed wavelengths a table is linear (CIE 15 asks that for daylight). Works out nothing.

use std::sync::LazyLock;

/// A table over wavelength in equal steps, `N` columns wide.
pub(super) struct Table<const N: usize> {
    first_nm: f64,
    step_nm: f64,
    rows: Vec<[f64; N]>,
}

impl<const N: usize> Table<N> {
    /// Reads `nm,value,value...` lines; lines starting with `#` and the line of names are passed over.
    fn read(text: &str) -> Self {
        let mut wavelengths = Vec::new();
        let mut rows = Vec::new();
        for line in text.lines().filter(|line| line.starts_with(|c: char| c.is_ascii_digit())) {
            let mut cells =
                line.split(',').map(|cell| cell.parse::<f64>().expect("the files hold numbers: tested"));
            wavelengths.push(cells.next().unwrap_or_default());
            let row: Vec<f64> = cells.collect();
            rows.push(row.try_into().expect("every line of the files has all columns: tested"));
        }
        Self { first_nm: wavelengths[0], step_nm: wavelengths[1] - wavelengths[0], rows }
    }

    /// The row at `nm`, linear between the printed ones; beyond the ends the first or last.
    pub(super) fn at(&self, nm: f64) -> [f64; N] {
        let last = self.rows.len() - 1;
        let place = ((nm - self.first_nm) / self.step_nm).clamp(0.0, last as f64);
        let low = (place as usize).min(last - 1);
        let share = place - low as f64;
        let (a, b) = (&self.rows[low], &self.rows[low + 1]);
        if share == 0.0 {
            return *a;
        }
        std::array::from_fn(|i| a[i] + (b[i] - a[i]) * share)
    }
}

/// CIE 1964 10-degree colour-matching functions, 360 to 830 nm at 1 nm. Source: ISO/CIE 11664-1.
pub(super) static OBSERVER_1964: LazyLock<Table<3>> =
    LazyLock::new(|| Table::read(include_str!("observer_1964.csv")));

/// Radiance factors of test colours 1 to 8, 360 to 830 nm at 5 nm. Source: CIE 13.3-1995.
pub(super) static TEST_COLOURS: LazyLock<Table<8>> =
    LazyLock::new(|| Table::read(include_str!("test_colours.csv")));

/// Number of colour evaluation samples.
pub(super) const SAMPLES: usize = 99;

/// Reflectances of the colour evaluation samples, 380 to 780 nm at 5 nm. Source: CIE 224:2017.
pub(super) static COLOUR_SAMPLES: LazyLock<Table<SAMPLES>> =
    LazyLock::new(|| Table::read(include_str!("samples.csv")));

/// Daylight components S0, S1, S2, 300 to 830 nm at 5 nm. Source: CIE 15, table of the components.
pub(super) static DAYLIGHT: LazyLock<Table<3>> = LazyLock::new(|| Table::read(include_str!("daylight.csv")));

#[cfg(test)]
mod tests {
    use super::*;

    fn check<const N: usize>(table: &Table<N>, shape: (f64, f64, usize), sums: [f64; N], half_digit: f64) {
        assert_eq!((table.first_nm, table.step_nm, table.rows.len()), shape);
        for (column, sum) in sums.iter().enumerate() {
            let ours: f64 = table.rows.iter().map(|row| row[column]).sum();
            assert!((ours - sum).abs() <= half_digit, "column {column}: {ours}");
        }
    }

    /// Source: sums made outside, from the arrays of colour-science 0.4.7 before they were written as text:
    /// ```text
    /// import colour
    /// from colour.quality.datasets import SDS_TCS
    /// from colour.colorimetry import SDS_BASIS_FUNCTIONS_CIE_ILLUMINANT_D_SERIES as D
    /// print(colour.MSDS_CMFS["CIE 1964 10 Degree Standard Observer"].values.sum(0))
    /// print([float(s.values.sum()) for s in list(SDS_TCS["CIE 1995"].values())[:8]])
    /// print([float(D[k].values.sum()) for k in ("S0", "S1", "S2")])
    /// ```
    /// Tolerance: half the last printed digit, or rounding of the sum.
    #[test]
    fn the_tables_have_the_sums_of_the_published_ones() {
        check(&OBSERVER_1964, (360.0, 1.0, 471), [116.64851951, 116.6618771, 116.67398051], 5e-9);
        let test_colours = [33.215, 24.252, 26.713, 19.393, 25.56, 34.759, 41.443, 46.683];
        check(&TEST_COLOURS, (360.0, 5.0, 95), test_colours, 1e-9);
        check(&DAYLIGHT, (300.0, 5.0, 107), [8715.51, 890.13, 374.95], 1e-9);
    }

    /// Source: sums made outside with colour-science 0.4.7; the second one also holds the order of columns:
    /// ```text
    /// import colour
    /// from colour.quality.cfi2017 import load_TCS_CIE2017
    /// t = load_TCS_CIE2017(colour.SpectralShape(380, 780, 5)).values
    /// print(t.sum(), (t * range(1, 100)).sum())
    /// ```
    /// Tolerance: rounding of the sum.
    #[test]
    fn the_colour_samples_have_the_sums_of_the_published_ones() {
        let table = &*COLOUR_SAMPLES;
        assert_eq!((table.first_nm, table.step_nm, table.rows.len()), (380.0, 5.0, 81));
        let sum: f64 = table.rows.iter().flatten().sum();
        let in_order: f64 =
            table.rows.iter().flat_map(|row| row.iter().zip(1..).map(|(r, i)| r * f64::from(i))).sum();
        assert!((sum - 2784.20987).abs() < 1e-7, "{sum}");
        assert!((in_order - 137_048.021_99).abs() < 1e-5, "{in_order}");
    }

    #[test]
    fn between_two_printed_rows_a_table_is_linear_and_beyond_its_ends_it_stays() {
        let table = Table::<2>::read("# a title\nnm,a,b\n400,1,10\n410,3,0\n");
        assert_eq!(table.at(405.0), [2.0, 5.0]);
        assert_eq!((table.at(390.0), table.at(500.0)), ([1.0, 10.0], [3.0, 0.0]));
    }
}
