//! Whether what was kept can be: everything of it was once on a disk that may be spoilt.

use super::glide::KeptGlide;
use super::kept::{Kept, KeptLight, KeptMemory};
use super::lamp::Pin;
use crate::light::{Demand, Shape};
use crate::plan::MAX_EMITTERS;
use crate::units::Xy;

/// Most lamps, looks of memory, slates or batteries that are believed. Judgement: ten times the largest rig.
const MOST: usize = 10_000;
/// Longest text of any kind that is believed, in bytes. Judgement: names are 40 at most, reasons one line.
const LONGEST: usize = 2000;

impl Kept {
    /// Whether every figure and text in it can be what lampkeep wrote.
    ///
    /// Errors: what cannot be, in words.
    pub fn possible(&self) -> Result<(), String> {
        let fits = |what: &str, so: bool| if so { Ok(()) } else { Err(format!("{what} cannot be")) };
        let counts = [self.bodies.len(), self.batteries.len(), self.slates.len(), self.on.len()];
        fits("so much of it", counts.iter().all(|n| *n <= MOST))?;
        for body in &self.bodies {
            let (celsius, over_k) = (body.estimate.celsius, body.estimate.over_k);
            let warm = (-100.0..=1000.0).contains(&celsius) && (0.0..=1000.0).contains(&over_k);
            let watts = [body.last_w, body.standby_w].iter().all(|w| (0.0..=1e6).contains(w));
            fits(&format!("the heat of {}", crate::words::short(&body.lamp)), warm && watts)?;
            fits("a lamp's name", body.lamp.len() <= LONGEST)?;
        }
        for battery in &self.batteries {
            let so = (0.0..=1e6).contains(&battery.used_wh) && battery.lamp.len() <= LONGEST;
            fits(&format!("the battery of {}", crate::words::short(&battery.lamp)), so)?;
        }
        for on in &self.on {
            let so = [on.on_s, on.dark_s, on.lit_s].iter().all(|s| (0.0..=1e10).contains(s));
            fits(
                &format!("the time on of {}", crate::words::short(&on.lamp)),
                so && on.lamp.len() <= LONGEST,
            )?;
        }
        // Far under what a number can hold, so that counting on never comes to its end.
        let counts = [self.takes, self.last_reading, self.trims.last_group];
        let number = self.take.as_ref().map_or(0, |take| take.number);
        fits("the count of takes or readings", counts.iter().chain([&number]).all(|n| *n <= 1 << 53))?;
        fits("a slate", self.slates.iter().all(|s| (1..=LONGEST).contains(&s.slate.len())))?;
        if let Some(take) = &self.take {
            let words = [&take.name, &take.started].into_iter().chain(&take.why);
            let so = (0.0..=1e9).contains(&take.rolled_s) && take.why.len() <= MOST;
            fits("the take", so && words.into_iter().all(|w| w.len() <= LONGEST))?;
        }
        let readings = self.readings.len() <= MOST && self.readings.iter().all(|n| n.possible(LONGEST));
        fits("the trims", self.trims.possible(LONGEST))?;
        fits("the readings", readings)?;
        if let Some(memory) = &self.again {
            memory.possible()?;
        }
        self.light.as_ref().map_or(Ok(()), KeptLight::possible)
    }
}

impl KeptMemory {
    fn possible(&self) -> Result<(), String> {
        let so = self.targets.len() <= MOST && self.targets.iter().all(|t| t.base.possible());
        if so { Ok(()) } else { Err("the light to come back to cannot be".to_owned()) }
    }
}

impl KeptLight {
    fn possible(&self) -> Result<(), String> {
        let so = self.lamps.len() <= MOST
            && self.outputs.len() <= MOST
            && self.rest_left_s.is_none_or(|s| (0.0..=1e6).contains(&s))
            && self.held.possible(self.lamps.len());
        if !so {
            return Err("the light cannot be".to_owned());
        }
        for memory in self.before_calibrate.iter().chain(&self.before_meter) {
            memory.possible()?;
        }
        for lamp in &self.lamps {
            let pin = |pin: &Pin| {
                pin.mix.iter().all(|drive| (0.0..=1.0 + 1e-9).contains(drive))
                    && pin.xy.is_none_or(xy)
                    && pin.slots.len() <= 512
            };
            let so = [&lamp.target.base, &lamp.asked, &lamp.allowed].into_iter().all(Demand::possible)
                && xy(lamp.allowed_xy)
                && shape(&lamp.mix)
                && lamp.mix_to.as_ref().is_none_or(shape)
                && lamp.pin.as_ref().is_none_or(pin)
                && (0.0..=1e9).contains(&lamp.moved_s)
                && lamp.glide.as_ref().is_none_or(KeptGlide::possible)
                && (0.0..=1e5).contains(&lamp.fade_left_s)
                && lamp.absent.as_ref().is_none_or(|why| why.len() <= LONGEST)
                && lamp.slots.len() <= 1024;
            if !so {
                let name = crate::words::short(&lamp.target.fixture);
                return Err(format!("the light of {name} cannot be"));
            }
        }
        Ok(())
    }
}

fn xy(xy: Xy) -> bool {
    (0.0..=1.0).contains(&xy.x) && (1e-6..=1.0).contains(&xy.y)
}

fn shape(shape: &Shape) -> bool {
    let parts: [f64; MAX_EMITTERS] = shape.at(1.0);
    parts.iter().all(|part| (0.0..=1e6).contains(part))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::{KeptTake, KeptTrims};

    /// One more than the last is counted, and the log's database holds no number beyond 2^63.
    #[test]
    fn counts_that_have_come_to_their_end_cannot_be() {
        let take = KeptTake {
            name: "4/3".into(),
            number: u64::MAX,
            started: String::new(),
            rolled_s: 1.0,
            darkened: false,
            why: Vec::new(),
        };
        let trims = KeptTrims { last_group: u64::MAX, ..KeptTrims::default() };
        for kept in [
            Kept { takes: u64::MAX, ..Kept::default() },
            Kept { last_reading: u64::MAX, ..Kept::default() },
            Kept { trims, ..Kept::default() },
            Kept { take: Some(take), ..Kept::default() },
        ] {
            assert_eq!(kept.possible(), Err("the count of takes or readings cannot be".to_owned()));
        }
        assert_eq!(Kept::default().possible(), Ok(()));
    }
}
