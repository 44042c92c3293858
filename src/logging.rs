//! Sets up the log: to standard error, one line an event.
//!
//! `LAMPKEEP_LOG`, else `RUST_LOG`, chooses what is shown, such as `debug` or
//! `info,lampkeep::control=debug`; `info` otherwise. Nothing here decides what is worth a line.

use std::io::IsTerminal;

use tracing_subscriber::EnvFilter;
use tracing_subscriber::filter::LevelFilter;

/// Starts the log for this process. A second call does nothing.
pub fn start() {
    let wish = ["LAMPKEEP_LOG", "RUST_LOG"].into_iter().find_map(|name| {
        let text = std::env::var(name).ok().filter(|t| !t.trim().is_empty())?;
        Some((name, text))
    });
    let (filter, fault) = filter(wish.as_ref().map(|(_, text)| text.as_str()));
    let plain = tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_env_filter(filter)
        .with_target(false)
        .with_ansi(std::io::stderr().is_terminal());
    // The journal stamps each line itself.
    let started = if std::env::var_os("JOURNAL_STREAM").is_some() {
        plain.without_time().try_init()
    } else {
        plain.try_init()
    };
    if let (Ok(()), Some(fault), Some((name, text))) = (started, fault, wish) {
        tracing::warn!(
            "{name}=`{}` is no log filter ({fault}); `info` is used: write `debug` or `info,lampkeep=trace`",
            crate::words::short(&text)
        );
    }
}

/// The filter that a text asks for, or `info` with what is wrong with the text.
fn filter(wish: Option<&str>) -> (EnvFilter, Option<String>) {
    let Some(wish) = wish else {
        return (EnvFilter::new("info"), None);
    };
    match EnvFilter::builder().with_default_directive(LevelFilter::INFO.into()).parse(wish) {
        Ok(filter) => (filter, None),
        Err(e) => (EnvFilter::new("info"), Some(e.to_string())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wrong_filter_is_told_and_info_is_used() {
        assert_eq!(filter(Some("debug")).0.max_level_hint(), Some(LevelFilter::DEBUG));
        assert_eq!(filter(None).0.max_level_hint(), Some(LevelFilter::INFO));
        let (used, fault) = filter(Some("lampkeep=loud"));
        assert_eq!(used.max_level_hint(), Some(LevelFilter::INFO));
        assert!(fault.is_some());
    }
}
