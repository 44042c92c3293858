//! Requests and answers as JSON, shared by the command line, the socket and MQTT.

use serde::{Deserialize, Serialize};

use super::Now;
use crate::meter::Show;

/// True for no shift, which need not be written.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands fields over so")]
fn at_its_own(shift: &i32) -> bool {
    *shift == 0
}

/// A list of texts that is not empty: where there is nothing to say the field is left out.
fn some_texts<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Vec<String>, D::Error> {
    let texts = Vec::<String>::deserialize(from)?;
    if texts.is_empty() { Err(serde::de::Error::custom("an empty list")) } else { Ok(texts) }
}

/// Longest request that any door reads, in bytes.
pub const MAX_REQUEST_BYTES: usize = 16 * 1024;

/// A request with the id its sender gave it.
#[derive(Debug, Clone, PartialEq)]
pub struct Envelope {
    /// Given back in the answer.
    pub id: Option<String>,
    /// What to do.
    pub request: Request,
}

/// One request. In JSON: `{"id":"…","do":"recall","look":"quay-dusk","over_s":2.0}`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// Bring a look up, or the light of a take; one of them.
    Recall {
        /// The look's name.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        look: Option<String>,
        /// The take, `4/3` or `n12`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        take: Option<String>,
        /// Fade in seconds, 0 to 3600; the look's or the plan's when absent.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        over_s: Option<f64>,
        /// Start after so many seconds, 0 to 86 400.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        in_s: Option<f64>,
        /// Start at this instant (RFC 3339).
        #[serde(default, skip_serializing_if = "Option::is_none")]
        at: Option<String>,
    },
    /// The next look of the running order.
    Next {
        /// As for `recall`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        over_s: Option<f64>,
        /// As for `recall`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        in_s: Option<f64>,
    },
    /// The look before in the running order.
    Previous {
        /// As for `recall`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        over_s: Option<f64>,
        /// As for `recall`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        in_s: Option<f64>,
    },
    /// Forget whatever is scheduled.
    Cancel {},
    /// Change one lamp, a group or all of them a little.
    Nudge {
        /// Fixture id, body name, group, or `all`.
        lamp: String,
        /// Change of light in stops.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        stops: Option<f64>,
        /// Change of colour temperature in kelvin.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        kelvin: Option<f64>,
        /// Change of colour temperature in mired; positive is warmer.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        mired: Option<f64>,
        /// Change of tint in Duv; positive is greener.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        duv: Option<f64>,
    },
    /// Save what is lit as a look.
    Keep {
        /// Name; the present look's when absent.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        name: Option<String>,
    },
    /// Fade everything out.
    Dark {
        /// Cut instead.
        #[serde(default)]
        now: bool,
    },
    /// The rest look.
    Rest {},
    /// Back to the last working light.
    Again {},
    /// One lamp alone.
    Only {
        /// Fixture id or body name.
        lamp: String,
    },
    /// One lamp at one channel value, all others dark, to be read with a meter; or the end of that.
    Calibrate {
        /// Fixture id or body name.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lamp: Option<String>,
        /// Value of the channel that sets the level, 0 (every lamp dark) to its full scale.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        value: Option<u16>,
        /// The emitter to light alone; needed where each has a level of its own.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        emitter: Option<String>,
        /// Colour temperature in kelvin, as the lamp's own slot says it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        kelvin: Option<f64>,
        /// Tint in Duv, as the lamp's own slot says it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        duv: Option<f64>,
        /// Hue in degrees, as the lamp's own slot says it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        hue_deg: Option<f64>,
        /// Saturation, 0 to 1, as the lamp's own slot says it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        saturation: Option<f64>,
        /// Back to the light from before, instead of all these.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        end: bool,
    },
    /// A step of the metering walk of a look lit, its trims set or taken back, its end; or how it stands.
    Meter {
        /// The look; what is lit or was when absent.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        look: Option<String>,
        /// What to light: no lamp, one alone at its level in that look, or all of them.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        show: Option<Show>,
        /// Fixture id or body name of the one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lamp: Option<String>,
        /// Room light and all together are read at every point, not at one.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        places: bool,
        /// Set the trims that are offered for these lamps: fixture ids or body names with spaces between, or `all`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        apply: Option<String>,
        /// Back to the light from before the walk.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        end: bool,
        /// Take the trims of the last walk back.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        undo: bool,
    },
    /// A meter's reading of the light that is sent now.
    Read {
        /// Meter point such as `face-lit` or `wall@pilot`, or a lamp: at what it is aimed at.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        point: Option<String>,
        /// Fixture id or body name, instead of the point: at what it is aimed at.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lamp: Option<String>,
        /// What the meter shows: `250lx`, `23fc`, `f/2.8+0.3`, `5120K`, `+0.003duv`, `under1lx`, several with spaces.
        value: String,
        /// It has a dome, no flat receptor.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        dome: bool,
        /// The meter, in words.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        instrument: Option<String>,
    },
    /// Today's readings against a take's, or against the plan.
    Match {
        /// `4/3`, `n12`, or `plan`; not needed for `undo`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        take: Option<String>,
        /// The look, where it is another one than the take's; with `plan` what is lit or was when absent.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        look: Option<String>,
        /// Set the trims that lead there.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        apply: bool,
        /// Take the trims of the last match back.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        undo: bool,
    },
    /// One lamp a stop down for a second.
    Wink {
        /// Fixture id or body name.
        lamp: String,
    },
    /// Each lamp in turn, low.
    Rollcall {
        /// Seconds for each lamp, 0.5 to 60.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        each_s: Option<f64>,
        /// Fixture id or body name: this one alone, until the next request or for 60 s.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lamp: Option<String>,
        /// So many slots beside its address, -1 or 1, where it may listen by a slip.
        #[serde(default, skip_serializing_if = "at_its_own")]
        shift: i32,
        /// Back to the light that stands, instead of all these.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        end: bool,
    },
    /// A lamp is not here today.
    Absent {
        /// Fixture id or body name.
        lamp: String,
        /// It is back.
        #[serde(default)]
        back: bool,
    },
    /// A person says: it is at room temperature.
    Cold {
        /// Fixture id, body name, or `all`.
        lamp: String,
    },
    /// A take begins: light and plan stay as they are until its end.
    TakeStart {
        /// Its slate, 1 to 20 letters, digits and `-`; the same as before when absent.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        slate: Option<String>,
        /// Start after so many seconds, 0 to 86 400.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        in_s: Option<f64>,
    },
    /// The take is over.
    TakeEnd {
        /// A person's mark, if any.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        mark: Option<TakeMark>,
    },
    /// Something is added to a take, or corrected.
    TakeAmend {
        /// The take, `4/3` or `n12`.
        take: String,
        /// A person's mark.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        mark: Option<TakeMark>,
        /// Slate and take as they should have been, `5/2`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        rename: Option<String>,
        /// Camera data and notes, `NAME=VALUE` each; an empty value takes back.
        #[serde(default, skip_serializing_if = "Vec::is_empty", deserialize_with = "some_texts")]
        typed: Vec<String>,
    },
    /// Every take of the log.
    TakeList {
        /// The newest so many, 1000 at most.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        most: Option<usize>,
    },
    /// Everything of one take.
    TakeSheet {
        /// The take, `4/3` or `n12`.
        take: String,
    },
    /// Hold every lamp that reaches a protected face at zero, at once.
    ProtectOn {},
    /// End that: without a code one is given, with it the lamps are let go of, dark until the next recall.
    ProtectOff {
        /// Four digits, from the first answer.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        code: Option<String>,
        /// A random number for a code to be made of; from the engine's loop, never from a sender.
        #[serde(skip)]
        random: u64,
    },
    /// Take the changed plan.
    Reload {},
    /// The whole status.
    Status {
        /// Keep sending it as it changes; the local socket only, refused elsewhere.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        follow: bool,
    },
    /// The names of looks, lamps, groups and subjects that requests understand.
    Names {},
    /// How each target of a look becomes slots.
    Explain {
        /// Its name.
        look: String,
    },
}

/// What a person thinks of a take, apart from whether its light was steady.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TakeMark {
    /// To be used.
    Good,
    /// Not to be used.
    Bad,
}

impl TakeMark {
    /// The word for it in requests and answers.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Bad => "bad",
        }
    }
}

/// What every request gets: done (accepted by the engine), or why not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// The request's id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// True when it was accepted.
    pub ok: bool,
    /// One line for a person, when accepted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<String>,
    /// The light now, when accepted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub now: Option<Now>,
    /// What was asked for, where the request asks for data (`status`, `explain`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub data: Option<serde_json::Value>,
    /// Why not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error: Option<Failure>,
}

impl Answer {
    /// A refusal.
    #[must_use]
    pub fn refused(id: Option<String>, failure: Failure) -> Self {
        Self { id, ok: false, said: None, now: None, data: None, error: Some(failure) }
    }
}

/// Why a request was not done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{said}")]
pub struct Failure {
    /// Stable word for programs.
    pub kind: FailureKind,
    /// What is wrong, with what was found.
    pub said: String,
    /// One next step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hint: Option<String>,
}

/// Stable words for what went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FailureKind {
    /// The text is not JSON, is too long, or lacks `do`.
    BadRequest,
    /// `do` names nothing that lampkeep does.
    UnknownRequest,
    /// A field is missing, unknown, of the wrong type or out of range.
    BadField,
    /// No look of this name.
    UnknownLook,
    /// No lamp of this name.
    UnknownLamp,
    /// The log knows no take of this name.
    UnknownTake,
    /// Several takes have this name; the message lists them.
    AmbiguousTake,
    /// There is no next or previous step, or no order at all.
    NoOrder,
    /// Nothing to do it with: no rest look, nothing lit, nothing scheduled, nothing to go back to.
    Nothing,
    /// The lamp is absent or set by hand.
    NotDriven,
    /// The changed plan has errors; the old one stays.
    PlanErrors,
    /// A file could not be read or written.
    Files,
    /// It was meant for a moment that has passed.
    TooLate,
    /// It says that it was sent later than now: a clock is wrong.
    TooEarly,
    /// The broker keeps it, so that nobody can tell for which moment it was meant.
    Retained,
    /// A guard refuses.
    Guarded,
    /// The daemon is stopping or overloaded; ask again.
    Busy,
}

/// Reads one request from a door on which none can be late.
///
/// Errors: a [`Failure`] of kind `BadRequest`, `UnknownRequest` or `BadField`, with the id where it
/// could be read.
pub fn decode_request(text: &[u8]) -> Result<Envelope, (Option<String>, Failure)> {
    decode_sent(text).map(|(envelope, _)| envelope)
}

/// Reads one request with the moment at which it says that it was sent, unread; `None` where it is no text.
///
/// Errors: as for [`decode_request`].
pub fn decode_sent(text: &[u8]) -> Result<(Envelope, Option<String>), (Option<String>, Failure)> {
    let bad = |id: Option<String>, kind, said: String, hint: &str| {
        (id, Failure { kind, said, hint: Some(hint.to_owned()) })
    };
    if text.len() > MAX_REQUEST_BYTES {
        let said = format!("the request has {} bytes; {MAX_REQUEST_BYTES} are allowed", text.len());
        return Err(bad(None, FailureKind::BadRequest, said, "send one JSON object a line"));
    }
    let value: serde_json::Value = serde_json::from_slice(text).map_err(|e| {
        let said = format!("the request is not JSON: {e}");
        bad(None, FailureKind::BadRequest, said, "send one JSON object a line")
    })?;
    let serde_json::Value::Object(mut fields) = value else {
        let hint = "send an object such as {\"do\":\"status\"}";
        return Err(bad(None, FailureKind::BadRequest, "the request is not a JSON object".into(), hint));
    };
    let id = match fields.remove("id") {
        None => None,
        Some(serde_json::Value::String(id)) if id.len() <= 128 => Some(id),
        Some(_) => {
            let said = "`id` is not a string of at most 128 bytes".to_owned();
            return Err(bad(None, FailureKind::BadField, said, "give the id as a short string"));
        }
    };
    // Accepted on every door, obeyed where messages can be late (MQTT).
    let sent = match fields.remove("sent") {
        Some(serde_json::Value::String(sent)) => Some(sent),
        _ => None,
    };
    fields.remove("fresh");
    let Some(serde_json::Value::String(word)) = fields.get("do") else {
        let said = "the request does not say what to `do`".to_owned();
        return Err(bad(id, FailureKind::BadRequest, said, "add a field such as \"do\":\"status\""));
    };
    let word = word.clone();
    if !WORDS.contains(&word.as_str()) {
        let near = crate::words::nearest(&word, WORDS.iter().copied());
        let hint =
            near.map_or_else(|| format!("known: {}", WORDS.join(", ")), |n| format!("did you mean `{n}`?"));
        let said = format!("lampkeep does not know how to `{}`", crate::words::short(&word));
        return Err((id, Failure { kind: FailureKind::UnknownRequest, said, hint: Some(hint) }));
    }
    match serde_json::from_value(serde_json::Value::Object(fields)) {
        Ok(request) => Ok((Envelope { id, request }, sent)),
        Err(e) => {
            let said = format!("`{word}`: {}", crate::words::short(&e.to_string()));
            Err(bad(id, FailureKind::BadField, said, "see docs/interface.md, part 3"))
        }
    }
}

/// Every word that `do` may have.
const WORDS: &[&str] = &[
    "recall",
    "next",
    "previous",
    "cancel",
    "nudge",
    "keep",
    "dark",
    "rest",
    "again",
    "only",
    "calibrate",
    "meter",
    "read",
    "match",
    "wink",
    "rollcall",
    "absent",
    "cold",
    "take-start",
    "take-end",
    "take-amend",
    "take-list",
    "take-sheet",
    "protect-on",
    "protect-off",
    "reload",
    "status",
    "names",
    "explain",
];
