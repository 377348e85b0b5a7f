//! What to do about a file that cannot be used.

use raw::DecodeFault;
use std::io::{Error, ErrorKind};

/// A fault with its remedy, in one line.
pub(crate) fn of_fault(fault: &DecodeFault) -> String {
    let remedy = match fault {
        DecodeFault::Io(error) => of_kind(error.kind()),
        DecodeFault::Empty | DecodeFault::Truncated { .. } => COPY_AGAIN,
        DecodeFault::Malformed(_) | DecodeFault::Undecodable { .. } => {
            "copy it from the card again, or take it out of the folder if that has it so"
        }
        DecodeFault::NotARaw { .. } => "give raw frames, and take what is none out of the folder",
        DecodeFault::Unsupported(_) => "make a DNG or FITS of it, or take it out of the folder",
        DecodeFault::LimitExceeded { .. } => {
            "no frame is so large: take it out of the folder, or copy it from the card again"
        }
        _ => "take it out of the folder",
    };
    format!("{fault}; {remedy}")
}

/// Why the system does not hand out a file, with its remedy.
pub(crate) fn of_error(error: &Error) -> String {
    format!("cannot be read: {error}; {}", of_kind(error.kind()))
}

const COPY_AGAIN: &str = "copy it from the card again";

fn of_kind(kind: ErrorKind) -> &'static str {
    match kind {
        ErrorKind::PermissionDenied => "allow this user to read it",
        ErrorKind::NotFound => "put it back, or take out what leads to it",
        ErrorKind::Unsupported => "take it out of the folder",
        // A link that leads to itself, which has no stable name yet.
        _ if kind.to_string().contains("loop") => "take the link out of the folder",
        _ => "see whether the disk is there and sound, and run the same again",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_has_a_remedy() {
        let remedy = |fault: &DecodeFault| {
            let text = of_fault(fault);
            let remedy = text.strip_prefix(&fault.to_string()).map(str::to_owned);
            remedy.expect("the fault comes first")
        };
        let io = |kind: ErrorKind| DecodeFault::Io(kind.into());
        for (fault, says) in [
            (DecodeFault::Empty, "copy it from the card"),
            (DecodeFault::NotARaw { found: "text" }, "take what is none"),
            (DecodeFault::Malformed("x".into()), "card again"),
            (io(ErrorKind::PermissionDenied), "allow this user"),
            (io(ErrorKind::Other), "run the same again"),
        ] {
            assert!(remedy(&fault).contains(says), "{fault}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_link_that_leads_to_itself_is_to_be_taken_out() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("loop");
        std::os::unix::fs::symlink("loop", &link).unwrap();
        let error = std::fs::read(&link).unwrap_err();
        assert!(
            of_error(&error).ends_with("take the link out of the folder"),
            "{error}"
        );
    }
}
