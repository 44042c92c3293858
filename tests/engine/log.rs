//! A log in memory for the rig: what the engine records is found again, as the journal's own tests say that it is.

use lampkeep::control::{Failure, FailureKind};
use lampkeep::journal::{Found, ReadingFound, Stamp, TakeFound, TakeName, Wanted, What};

#[derive(Default)]
pub struct Log {
    pub takes: Vec<TakeFound>,
    pub all: Vec<What>,
}

impl Log {
    pub fn record(&mut self, what: &What, frame: u64) {
        self.all.push(what.clone());
        let of = |takes: &mut Vec<TakeFound>, number: u64| {
            takes.iter().rposition(|t| t.record.number == number && !t.imported)
        };
        match what {
            What::TakeStarted(record) => self.takes.push(TakeFound {
                log_name: format!("n{}", record.number),
                imported: false,
                stamp: Stamp {
                    seq: self.all.len() as u64,
                    since_boot_us: frame * 25_000,
                    wall: "2026-05-04T10:00:00Z".into(),
                    unset: false,
                    frame,
                },
                record: (**record).clone(),
                end: None,
                amended: Vec::new(),
            }),
            What::TakeStamped(stamp) => {
                if let Some(at) = of(&mut self.takes, stamp.number) {
                    self.takes[at].record.light = stamp.light.clone();
                }
            }
            What::TakeEnded(end) => {
                if let Some(at) = of(&mut self.takes, end.number) {
                    self.takes[at].end = Some(end.clone());
                }
            }
            What::TakeAmended(amend) => {
                if let Some(at) = of(&mut self.takes, amend.number) {
                    self.takes[at].amended.push(amend.clone());
                }
            }
            _ => {}
        }
    }

    pub fn find(&self, wanted: &Wanted) -> Result<Box<Found>, Failure> {
        let fail = |kind, said: String| Failure { kind, said, hint: Some("take list".into()) };
        Ok(Box::new(match wanted {
            Wanted::Takes { most } => {
                Found::Takes(self.takes[self.takes.len().saturating_sub(*most)..].to_vec())
            }
            Wanted::Take(name) => {
                let is = |t: &&TakeFound| match name {
                    TakeName::Slate { .. } => t.name() == name.to_string(),
                    TakeName::Number { .. } => t.log_name == name.to_string(),
                };
                let found: Vec<_> = self.takes.iter().filter(is).collect();
                match found[..] {
                    [] => return Err(fail(FailureKind::UnknownTake, format!("no take {name}"))),
                    [one] => Found::Take(Box::new(one.clone())),
                    _ => {
                        let names: Vec<_> = found.iter().map(|t| t.log_name.as_str()).collect();
                        let said = format!("{name} is {}", names.join(" and "));
                        return Err(fail(FailureKind::AmbiguousTake, said));
                    }
                }
            }
            Wanted::Readings { .. } => Found::Readings(Vec::new()),
            Wanted::ReadingsOf { ids, .. } => Found::Readings(self.readings(ids)),
        }))
    }

    fn readings(&self, ids: &[u64]) -> Vec<ReadingFound> {
        let stamp =
            Stamp { seq: 1, since_boot_us: 1, wall: "2026-05-04T10:00:00Z".into(), unset: false, frame: 1 };
        let of = |what: &What| match what {
            What::Reading(r) if ids.contains(&r.id) => {
                Some(ReadingFound { stamp: stamp.clone(), record: (**r).clone() })
            }
            _ => None,
        };
        self.all.iter().filter_map(of).collect()
    }

    /// The newest take.
    pub fn last(&self) -> &TakeFound {
        self.takes.last().expect("a take")
    }
}
