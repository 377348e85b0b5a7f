//! The index as a page: plain HTML that runs nothing, whatever names files have.

use report::{Night, NightCalibration, NightFault, NightSession, SessionState};
use std::fmt::Write;

const STYLE: &str = "
:root { color-scheme: light dark; }
body { font: 16px/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 60rem; padding: 0 1rem; }
section { border-top: 1px solid #8888; padding: 1rem 0; }
h2 { font-size: 1.1rem; margin: 0 0 .5rem; overflow-wrap: anywhere; }
img { display: block; height: auto; max-height: 20rem; max-width: 100%; }
p, ul { margin: .4rem 0; }
li, p { overflow-wrap: anywhere; }
.failed h2 { color: #c0392b; }
.waiting h2 { color: #b07d12; }
small { opacity: .75; }
";

/// Forbids whatever a browser might want to fetch or run, but the page's own pictures.
const POLICY: &str = "default-src 'none'; img-src 'self'; style-src 'unsafe-inline'";

/// The page.
pub(crate) fn index_page(night: &Night) -> String {
    let mut page = String::new();
    let summary = summary(night);
    // Writing to a string cannot fail.
    let _ = write!(
        page,
        "<!doctype html>\n<html lang=\"en\">\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n\
         <title>{summary}</title>\n<style>{STYLE}</style>\n<h1>{summary}</h1>\n\
         <p>Found under {root} by radicand {version}.</p>\n",
        root = escape(&night.root),
        version = escape(&night.version),
    );
    for session in &night.sessions {
        section(&mut page, session);
    }
    list(&mut page, "Files that cannot be used", &night.left_out);
    list(
        &mut page,
        "Frames that no session needs, or that are to be skipped",
        &night.unused,
    );
    if !night.older.is_empty() {
        page.push_str(
            "<section>\n<h2>Results of frames that are no longer there as they were</h2>\n<ul>\n",
        );
        for id in &night.older {
            let _ = writeln!(page, "<li><a href=\"{0}/\">{0}</a></li>", escape(id));
        }
        page.push_str("</ul>\n</section>\n");
    }
    page.push_str("</html>\n");
    page
}

/// How many sessions are done, in one line.
pub(crate) fn summary(night: &Night) -> String {
    let count = |state| {
        let sessions = night.sessions.iter();
        sessions.filter(|session| session.state == state).count()
    };
    let (done, of) = (count(SessionState::Done), night.sessions.len());
    let mut summary = format!("{done} of {of} sessions done");
    let others = [
        (count(SessionState::Failed), "came to no result"),
        (count(SessionState::Waiting), "not done yet"),
    ];
    for (n, what) in others.into_iter().filter(|(n, _)| *n > 0) {
        summary += &format!(", {n} {what}");
    }
    summary
}

fn section(page: &mut String, session: &NightSession) {
    let id = escape(&session.id);
    let class = match session.state {
        SessionState::Done => "done",
        SessionState::Failed => "failed",
        SessionState::Waiting => "waiting",
    };
    let _ = write!(page, "<section class=\"{class}\">\n<h2>{id}</h2>\n");
    let _ = writeln!(page, "<p>{}</p>", escape(&description(session)));
    if let Some(reason) = &session.reason {
        let _ = writeln!(page, "<p>{}</p>", escape(reason));
    }
    if session.state == SessionState::Failed {
        let _ = writeln!(page, "<p><a href=\"failed/{id}/log.txt\">log.txt</a></p>");
    }
    if let Some(result) = &session.result {
        let _ = writeln!(page, "<p><strong>{}</strong></p>", escape(&result.headline));
        if result.files.iter().any(|file| file.name == "preview.png") {
            let _ = writeln!(
                page,
                "<a href=\"{id}/preview.png\"><img src=\"{id}/preview.png\" loading=\"lazy\" \
                 alt=\"Preview of the stack\"></a>"
            );
        }
        let links = result
            .files
            .iter()
            .map(|file| file.name.as_str())
            .chain(["log.txt"]);
        let links = links.map(|name| {
            let name = escape(name);
            format!("<a href=\"{id}/{name}\">{name}</a>")
        });
        let _ = writeln!(page, "<p>{}</p>", links.collect::<Vec<_>>().join(" · "));
    }
    let choices = session.calibration.iter().map(chosen);
    items(page, choices.chain(session.notes.iter().cloned()));
    if let Some(result) = &session.result {
        let said = |fault: &NightFault| format!("left out: {}: {}", fault.file, fault.reason);
        items(page, result.left_out.iter().map(said));
        if !result.warnings.is_empty() {
            page.push_str("<details><summary>What its report warns of</summary>\n");
            items(page, result.warnings.iter().cloned());
            page.push_str("</details>\n");
        }
    }
    page.push_str("</section>\n");
}

fn items(page: &mut String, texts: impl Iterator<Item = String>) {
    page.push_str("<ul>\n");
    for text in texts {
        let _ = writeln!(page, "<li><small>{}</small></li>", escape(&text));
    }
    page.push_str("</ul>\n");
}

/// A session in one line, such as `20 lights of 8 s: Lumholt N12, ISO 1600, in a/b`.
pub(crate) fn description(session: &NightSession) -> String {
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
        (Some(first), Some(last)) => text += &format!(", {first} to {last}"),
        _ => text += ", at a time that is not known",
    }
    text + &format!(", in {}", session.folders.join(" and "))
}

/// What calibrates, and why, in one line.
pub(crate) fn chosen(choice: &NightCalibration) -> String {
    let Some(folder) = &choice.folder else {
        return choice.because.clone();
    };
    let kind = match (choice.kind, choice.frames) {
        (Some(report::FrameKind::Dark), 1) => "dark",
        (Some(report::FrameKind::Dark), _) => "darks",
        (Some(report::FrameKind::Flat), 1) => "flat",
        (Some(report::FrameKind::Flat), _) => "flats",
        (_, 1) => "bias frame",
        _ => "bias frames",
    };
    format!("{} {kind} from {folder}: {}", choice.frames, choice.because)
}

fn list(page: &mut String, title: &str, faults: &[NightFault]) {
    if faults.is_empty() {
        return;
    }
    let _ = write!(page, "<section>\n<h2>{title}</h2>\n<ul>\n");
    for fault in faults {
        let (file, reason) = (escape(&fault.file), escape(&fault.reason));
        let _ = writeln!(page, "<li>{file}: {reason}</li>");
    }
    page.push_str("</ul>\n</section>\n");
}

/// A text as HTML shows it, in elements and in quoted attributes; control characters, which
/// a page may not hold, as escapes.
fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            c if c.is_control() => escaped.extend(c.escape_unicode()),
            c => escaped.push(c),
        }
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::*;
    use report::NightResult;

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
                ..NightSession::default()
            }],
            left_out: vec![fault.clone()],
            unused: vec![fault],
            older: vec![evil.to_owned()],
            ..Night::default()
        };
        let page = index_page(&night);
        assert!(!page.contains("<script"), "{page}");
        assert!(!page.contains("\"1\""), "{page}");
        let shown = "&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt;\\u{a}&amp;&#39;";
        assert!(page.matches(shown).count() >= 14, "{page}");
    }
}
