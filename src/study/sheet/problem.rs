//! What is wrong with a sheet, cell by cell.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::warning::Warning;

/// What becomes of a cell that is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ProblemKind {
    /// A head that is nearly a known one; its column is kept as one of the user's own.
    Head,
    /// A row whose cells cannot be assigned; nothing of it but its name is used.
    Row,
    /// A cell that cannot be read; its value is unknown.
    Unreadable,
    /// A value that cannot be, or that contradicts another; neither is used.
    Impossible,
    /// A value that is used and should be looked at.
    Doubtful,
}

/// One wrong cell.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Problem {
    /// Row as a spreadsheet counts it, from 1, comments and empty rows included.
    pub row: u64,
    /// Head of the column as written, or its number where it has none.
    pub column: String,
    /// The cell as written.
    pub value: String,
    /// What was expected there.
    pub expected: String,
    /// What becomes of it.
    pub kind: ProblemKind,
}

impl Problem {
    /// The problem as a warning of the study.
    pub fn warning(&self) -> Warning {
        let Self { row, column, value, expected, .. } = self;
        let place = format!("study sheet, row {row}, column '{column}': '{value}'");
        match self.kind {
            ProblemKind::Head => Warning::new(
                "sheet-head-unknown",
                format!("{place} is kept as a column of your own; did you mean '{expected}'?"),
            ),
            ProblemKind::Row => Warning::new(
                "sheet-row-unreadable",
                format!(
                    "study sheet, row {row}, column '{column}': {value}, expected {expected}; no cell from this \
                     column on is used"
                ),
            ),
            ProblemKind::Unreadable => {
                Warning::new("sheet-cell-unreadable", format!("{place} is not used; expected {expected}"))
            }
            ProblemKind::Impossible => {
                Warning::new("sheet-cell-impossible", format!("{place} is not used; expected {expected}"))
            }
            ProblemKind::Doubtful => {
                Warning::new("sheet-cell-doubtful", format!("{place} is used, but expected {expected}"))
            }
        }
    }
}
