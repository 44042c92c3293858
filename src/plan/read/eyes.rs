//! `eyes`: a lamp's risk group and least distance.

use crate::plan::amounts::LENGTH;
use crate::plan::problem::Kind;
use crate::plan::tree::Table;
use crate::plan::{Eyes, RiskGroup};

/// Reads `eyes = { … }` of a profile or a fixture; nothing stated where it is missing.
pub(super) fn eyes(t: &Table<'_>) -> Eyes {
    let Some(field) = t.get("eyes") else { return Eyes::default() };
    let Some(table) = field.as_table(&format!("`eyes` of {}", t.owner())) else {
        let said = format!("`eyes` of {} must be a table", t.owner());
        field.wrong(
            Kind::WrongType,
            said,
            "write it like `eyes = { risk-group = \"RG1\", least-distance = \"60 cm\" }`",
        );
        return Eyes::default();
    };
    let groups = [RiskGroup::Exempt, RiskGroup::Low, RiskGroup::Moderate, RiskGroup::High];
    let eyes = Eyes {
        risk_group: table.get("risk-group").and_then(|f| f.word(&groups.map(|g| (g.word(), g)))),
        least_distance_m: table.get("least-distance").and_then(|f| f.amount(&LENGTH, 0.01, 20.0)),
    };
    table.finish();
    eyes
}
