//! What holds of the request decoder, whatever comes in. The fuzz target and `tests/requests.rs` share it.

use lampkeep::control::{Answer, Failure, FailureKind, MAX_REQUEST_BYTES, decode_request};
use serde_json::{Map, Value};

/// Longest id that is given back, in bytes (docs/interface.md, part 3).
const LONGEST_ID: usize = 128;
/// Longest text about what is wrong, in characters: a line of the log stays a line.
const LONGEST_SAID: usize = 400;

/// Decodes `input` and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    match decode_request(input) {
        Ok(envelope) => {
            let fields = object(input).expect("what is accepted is a JSON object");
            assert!(input.len() <= MAX_REQUEST_BYTES);
            assert!(envelope.id.as_deref().is_none_or(|id| id.len() <= LONGEST_ID));
            assert_eq!(fields.get("id").and_then(Value::as_str), envelope.id.as_deref());

            // Written down again it is the same request. Numbers may take more room than they came in.
            let text = serde_json::to_vec(&envelope.request).expect("a request can be written down");
            if text.len() <= MAX_REQUEST_BYTES {
                assert_eq!(decode_request(&text).expect("its own text is one").request, envelope.request);
            }

            // One field more is refused.
            let mut more = fields;
            more.insert("stranger".to_owned(), Value::Null);
            let text = serde_json::to_vec(&more).expect("JSON can be written down");
            if text.len() <= MAX_REQUEST_BYTES {
                let (_, failure) = decode_request(&text).expect_err("a field that nobody knows");
                assert_eq!(failure.kind, FailureKind::BadField);
            }
        }
        Err((id, failure)) => refused(input, id, failure),
    }
}

fn refused(input: &[u8], id: Option<String>, failure: Failure) {
    use FailureKind::{BadField, BadRequest, UnknownRequest};
    assert!(matches!(failure.kind, BadRequest | UnknownRequest | BadField), "{failure:?}");
    assert!(id.as_deref().is_none_or(|id| id.len() <= LONGEST_ID));
    if input.len() <= MAX_REQUEST_BYTES
        && let Some(fields) = object(input)
    {
        let sent = fields.get("id").and_then(Value::as_str).filter(|id| id.len() <= LONGEST_ID);
        assert_eq!(id.as_deref(), sent, "the answer has another id");
    }
    for text in [Some(&failure.said), failure.hint.as_ref()].into_iter().flatten() {
        assert!(text.chars().count() <= LONGEST_SAID, "{} characters", text.chars().count());
        assert!(!text.chars().any(char::is_control), "{text:?}");
    }
    // One line, whatever was sent, that a client reads back.
    let answer = Answer::refused(id, failure);
    let line = serde_json::to_vec(&answer).expect("an answer can be written down");
    assert!(!line.contains(&b'\n'));
    assert_eq!(serde_json::from_slice::<Answer>(&line).expect("it reads back"), answer);
}

fn object(input: &[u8]) -> Option<Map<String, Value>> {
    serde_json::from_slice(input).ok()
}
