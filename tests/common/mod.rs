//! Reads the check values under `tests/reference`: plain CSV with `#` header lines.

use std::collections::HashMap;
use std::path::Path;

/// One line of a table: cells by column name.
pub struct Row(HashMap<String, String>);

/// A table, after checking that it is whole: a cut file must not pass as a smaller one.
pub fn table(name: &str, rows: usize) -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(name);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let columns: Vec<&str> = lines.next().expect("column names").split(',').collect();
    let table: Vec<Row> = lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            assert_eq!(cells.len(), columns.len(), "{name}: {line}");
            let pairs = columns.iter().zip(cells).map(|(c, cell)| (String::from(*c), String::from(cell)));
            Row(pairs.collect())
        })
        .collect();
    assert_eq!(table.len(), rows, "rows of {name}");
    table
}

impl Row {
    /// The number in a cell; `1/50` is read as a fraction.
    pub fn number(&self, column: &str) -> f64 {
        let cell = &self[column];
        let parse = |text: &str| text.parse::<f64>().unwrap_or_else(|e| panic!("{column} {cell:?}: {e}"));
        match cell.split_once('/') {
            Some((above, below)) => parse(above) / parse(below),
            None => parse(cell),
        }
    }
}

impl std::ops::Index<&str> for Row {
    type Output = str;
    fn index(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }
}
