//! The index of a night as a page: what became of every session.

use super::document;
use super::text::Foreign;
use crate::frame::FrameKind;
use crate::night::{Night, NightCalibration, NightFault, NightResult, NightSession, SessionState};
use maud::{Markup, html};

/// The files of a result that the index shows by themselves.
const REPORT_PAGE: &str = "report.html";
const PREVIEW: &str = "preview.png";

/// The index over all sessions; it runs nothing, and shows the pictures beside it.
pub fn night_page(night: &Night) -> String {
    let title = night_summary(night);
    let body = html! {
        header {
            p.kicker { "Every session under " span.file { (Foreign(&night.root)) } }
            h1 { (title) }
            p { "By radicand " (Foreign(&night.version)) ", in the order they were taken." }
        }
        div.sessions {
            @for (i, session) in night.sessions.iter().enumerate() { (section(i, session)) }
        }
        (list("left-out", "Files that cannot be used", &night.left_out))
        (list(
            "idle-settings",
            "Settings that change nothing",
            &night.idle_settings,
        ))
        (list(
            "unused",
            "Frames that no session needs, or that are to be skipped",
            &night.unused,
        ))
        (older(&night.older))
    };
    document::page(&title, &body, document::Images::Beside)
}

/// How many sessions are done, and what is missing, in one line.
pub fn night_summary(night: &Night) -> String {
    let count = |state| {
        let sessions = night.sessions.iter();
        sessions.filter(|session| session.state == state).count()
    };
    let (done, of) = (count(SessionState::Done), night.sessions.len());
    let mut summary = match of {
        0 => "no session is to be done".to_owned(),
        _ => format!("{done} of {of} sessions done"),
    };
    let others = [
        (count(SessionState::Failed), "came to no result"),
        (count(SessionState::Waiting), "not done yet"),
    ];
    for (n, what) in others.into_iter().filter(|(n, _)| *n > 0) {
        summary += &format!(", {n} {what}");
    }
    let others = [
        (night.files_left_out(), "file", "left out"),
        (night.idle_settings.len(), "setting", "without effect"),
    ];
    for (n, what, how) in others.into_iter().filter(|(n, ..)| *n > 0) {
        let plural = if n == 1 { "" } else { "s" };
        summary += &format!(", {n} {what}{plural} {how}");
    }
    summary
}

fn section(i: usize, session: &NightSession) -> Markup {
    html! {
        section.session aria-labelledby={ "session-" (i) } {
            h2 id={ "session-" (i) } { (Foreign(&session.id)) }
            p { (Foreign(&session_description(session))) }
            @match session.state {
                SessionState::Done => {}
                SessionState::Failed => p.state { strong { "Came to no result" } }
                SessionState::Waiting => p.state { strong { "Not done yet" } }
            }
            @if let Some(reason) = &session.reason { p { (Foreign(reason)) "." } }
            @if let Some(result) = &session.result { (outcome(&session.id, result)) }
            @if let Some(log) = &session.log {
                @let parts: Vec<String> = log.split('/').map(path).collect();
                p { a href=(parts.join("/")) { "What happened, in order (log.txt)" } }
            }
            @let choices = session.calibration.iter().map(calibration_choice);
            (items(choices.chain(session.notes.iter().cloned())))
            @if let Some(result) = &session.result { (faults(result)) }
        }
    }
}

/// What came of a session, with links to it.
fn outcome(id: &str, result: &NightResult) -> Markup {
    let has = |name: &str| result.files.iter().any(|file| file.name == name);
    let others = result.files.iter().map(|file| file.name.as_str());
    let others = others.filter(|name| *name != REPORT_PAGE);
    html! {
        p { strong { (Foreign(&result.headline)) } }
        @if has(REPORT_PAGE) {
            p { a href={ (path(id)) "/" (REPORT_PAGE) } { "Report of this session" } }
        }
        @if has(PREVIEW) {
            a href={ (path(id)) "/" (PREVIEW) } {
                img src={ (path(id)) "/" (PREVIEW) } loading="lazy"
                    alt={ "Preview of the stack of " (Foreign(id)) };
            }
        }
        ul.links {
            @for name in others {
                li { a href={ (path(id)) "/" (path(name)) } { (Foreign(name)) } }
            }
        }
    }
}

fn faults(result: &NightResult) -> Markup {
    let said = |fault: &NightFault| format!("left out: {}: {}", fault.file, fault.reason);
    html! {
        (items(result.left_out.iter().map(said)))
        @if !result.warnings.is_empty() {
            details {
                summary { "What its report warns of" }
                (items(result.warnings.iter().cloned()))
            }
        }
    }
}

fn items(texts: impl Iterator<Item = String>) -> Markup {
    let mut texts = texts.peekable();
    html! {
        @if texts.peek().is_some() {
            ul { @for text in texts { li { small { (Foreign(&text)) } } } }
        }
    }
}

/// A name as a part of a link: a reader of links must not take any of it for more than a name.
fn path(name: &str) -> String {
    let mut path = String::new();
    for byte in name.bytes() {
        match byte {
            // Unreserved characters (RFC 3986, 2.3).
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                path.push(char::from(byte));
            }
            byte => path.push_str(&format!("%{byte:02X}")),
        }
    }
    path
}

/// A session in one line, such as `20 lights of 8 s: Lumholt N12, ISO 1600, in a/b`.
pub fn session_description(session: &NightSession) -> String {
    let mut text = match session.lights {
        1 => "1 light".to_owned(),
        n => format!("{n} lights"),
    };
    if let Some(exposure_s) = session.exposure_s {
        text += &format!(" of {exposure_s} s");
    }
    text += &format!(
        ": {}",
        session.camera.as_deref().unwrap_or("camera not stated")
    );
    text += &format!(", {}×{} px", session.width, session.height);
    if let Some(iso) = session.iso {
        text += &format!(", ISO {iso}");
    }
    match (&session.first, &session.last) {
        (Some(first), Some(last)) => text += &format!(", {}", time_span(first, last)),
        _ => text += ", at a time that is not known",
    }
    text + &format!(", in {}", session.folders.join(" and "))
}

/// Two times of ISO 8601 as people write them; a date that both have once.
fn time_span(first: &str, last: &str) -> String {
    let last = match (first.split_once('T'), last.split_once('T')) {
        (Some((day, _)), Some((same, time))) if day == same => time,
        _ => last,
    };
    format!("{} to {}", first.replace('T', " "), last.replace('T', " "))
}

/// What calibrates, and why, in one line.
pub fn calibration_choice(choice: &NightCalibration) -> String {
    let Some(folder) = &choice.folder else {
        return choice.because.clone();
    };
    let kind = match (choice.kind, choice.frames) {
        (Some(FrameKind::Dark), 1) => "dark",
        (Some(FrameKind::Dark), _) => "darks",
        (Some(FrameKind::Flat), 1) => "flat",
        (Some(FrameKind::Flat), _) => "flats",
        (_, 1) => "bias frame",
        _ => "bias frames",
    };
    format!("{} {kind} from {folder}: {}", choice.frames, choice.because)
}

fn list(id: &str, title: &str, faults: &[NightFault]) -> Markup {
    html! {
        @if !faults.is_empty() {
            section aria-labelledby=(id) {
                h2 id=(id) { (title) }
                dl.left-out {
                    @for fault in faults {
                        div {
                            dt { span.file { (Foreign(&fault.file)) } }
                            dd { (Foreign(&fault.reason)) }
                        }
                    }
                }
            }
        }
    }
}

fn older(folders: &[String]) -> Markup {
    html! {
        @if !folders.is_empty() {
            section aria-labelledby="older" {
                h2 #older { "Results of frames that are no longer there as they were, or are skipped" }
                ul {
                    @for id in folders { li { a href={ (path(id)) "/" } { (Foreign(id)) } } }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_text_and_nothing_else() {
        let evil = "<script>alert(\"1\")</script>\n&'";
        let fault = NightFault {
            file: evil.to_owned(),
            reason: evil.to_owned(),
        };
        let night = Night {
            root: evil.to_owned(),
            version: evil.to_owned(),
            sessions: vec![NightSession {
                id: evil.to_owned(),
                state: SessionState::Failed,
                reason: Some(evil.to_owned()),
                folders: vec![evil.to_owned()],
                camera: Some(evil.to_owned()),
                notes: vec![evil.to_owned()],
                calibration: vec![NightCalibration {
                    because: evil.to_owned(),
                    ..NightCalibration::default()
                }],
                result: Some(NightResult {
                    headline: evil.to_owned(),
                    left_out: vec![fault.clone()],
                    warnings: vec![evil.to_owned()],
                    ..NightResult::default()
                }),
                log: Some(format!("failed/{evil}/log.txt")),
                ..NightSession::default()
            }],
            left_out: vec![fault.clone()],
            idle_settings: vec![fault.clone()],
            unused: vec![fault],
            older: vec![evil.to_owned()],
            ..Night::default()
        };
        let page = night_page(&night);
        assert!(!page.contains("<script"), "{page}");
        assert!(!page.contains("\"1\""), "{page}");
        let shown = "&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt;\\u{a}&amp;'";
        assert!(page.matches(shown).count() >= 16, "{page}");
        let link = "failed/%3Cscript%3Ealert%28%221%22%29%3C/script%3E%0A%26%27/log.txt";
        assert!(page.contains(link), "{page}");
    }
}
