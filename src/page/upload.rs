//! Files that come in: streamed to the temporary folder in pieces, never held in memory as a whole.

use std::path::Path;

use axum::extract::Multipart;
use axum::extract::multipart::{Field, MultipartError};
use tokio::fs::File;
use tokio::io::AsyncWriteExt;

use super::desk::{Desk, Kind, LOGS_MOST, RigInUse};
use super::door::Visitor;

/// A rig file is a page of text; more is something else, bytes.
const RIG_MOST: usize = 1 << 20;
/// Longest name that is shown, characters.
const NAME_MOST: usize = 120;

/// What became of the files of one request.
#[derive(Debug, Default)]
pub(super) struct Received {
    /// Logs that wait for their audit.
    pub logs: Vec<u64>,
    /// What could not be kept, with the reason.
    pub refused: Vec<String>,
    /// Whether one was refused for its size.
    pub too_large: bool,
}

/// Takes every file of a form; logs are audited after a rig file of the same form was taken into use.
///
/// # Errors
/// The form breaks off or is none.
pub(super) async fn receive(
    desk: &Desk,
    visitor: &Visitor,
    mut form: Multipart,
) -> Result<Received, MultipartError> {
    let mut received = Received::default();
    let ended = each(desk, visitor, &mut form, &mut received).await;
    // A form that breaks off does not take the files before it along.
    for id in &received.logs {
        desk.enqueue(*id);
    }
    ended.map(|()| received)
}

async fn each(
    desk: &Desk,
    visitor: &Visitor,
    form: &mut Multipart,
    received: &mut Received,
) -> Result<(), MultipartError> {
    while let Some(field) = form.next_field().await? {
        visitor.understood();
        let name = shown(field.file_name().unwrap_or_default());
        // A browser sends an empty part for a field without a choice.
        if name.is_empty() {
            continue;
        }
        if name.to_lowercase().ends_with(".toml") {
            take_rig(desk, visitor, name, field, received).await?;
        } else {
            take_log(desk, visitor, name, field, received).await?;
        }
    }
    Ok(())
}

async fn take_rig(
    desk: &Desk,
    visitor: &Visitor,
    name: String,
    field: Field<'_>,
    received: &mut Received,
) -> Result<(), MultipartError> {
    let Some(text) = text(visitor, field, RIG_MOST).await? else {
        received.refused.push(format!("{name} is larger than 1 MB: it is no rig file"));
        received.too_large = true;
        return Ok(());
    };
    let parsed = RigInUse::parse(name, text);
    if let Err(refused) = &parsed {
        received.refused.push(refused.because.clone());
    }
    desk.use_rig(parsed);
    Ok(())
}

/// The next piece of a field.
async fn piece(visitor: &Visitor, field: &mut Field<'_>) -> Result<Option<bytes::Bytes>, MultipartError> {
    let piece = field.chunk().await?;
    visitor.understood();
    Ok(piece)
}

/// The text of a small field; null when it is longer than `most` bytes.
pub(super) async fn text(
    visitor: &Visitor,
    mut field: Field<'_>,
    most: usize,
) -> Result<Option<String>, MultipartError> {
    let mut bytes = Vec::new();
    let mut fits = true;
    while let Some(piece) = piece(visitor, &mut field).await? {
        fits &= bytes.len() + piece.len() <= most;
        if fits {
            bytes.extend_from_slice(&piece);
        }
    }
    Ok(fits.then(|| String::from_utf8_lossy(&bytes).into_owned()))
}

async fn take_log(
    desk: &Desk,
    visitor: &Visitor,
    name: String,
    mut field: Field<'_>,
    received: &mut Received,
) -> Result<(), MultipartError> {
    let Some(id) = desk.admit() else {
        received
            .refused
            .push(format!("{name} was not taken: the page holds {LOGS_MOST} logs; remove some first"));
        while piece(visitor, &mut field).await?.is_some() {}
        return Ok(());
    };
    let path = desk.file(id, Kind::Log);
    let (bytes, ended) = match store(&path, visitor, &mut field, desk.upload_limit).await {
        Ok(stored) => stored,
        Err(error) => {
            tokio::fs::remove_file(&path).await.ok();
            return Err(error);
        }
    };
    let problem = match ended {
        Ok(()) => None,
        Err(Unkept::TooLarge) => {
            received.too_large = true;
            Some(too_large(&name, desk.upload_limit))
        }
        Err(Unkept::Io(error)) => {
            let help = match error.kind() {
                std::io::ErrorKind::FileTooLarge => "raise the limit on the size of files (`ulimit -f`)",
                _ => "make room in the temporary folder",
            };
            Some(format!("cannot keep {name}: {error}\n  help: {help}"))
        }
    };
    match &problem {
        Some(problem) => {
            tokio::fs::remove_file(&path).await.ok();
            received.refused.push(problem.clone());
        }
        None => received.logs.push(id),
    }
    desk.place(id, name, bytes, problem);
    Ok(())
}

/// Why a file was not kept.
enum Unkept {
    TooLarge,
    Io(std::io::Error),
}

/// Writes a field to a file piece by piece. What is refused is read to its end all the same, because a browser shows
/// an answer only after it sent everything.
///
/// * returns the field's size, and whether all of it is in the file
async fn store(
    path: &Path,
    visitor: &Visitor,
    field: &mut Field<'_>,
    limit: u64,
) -> Result<(u64, Result<(), Unkept>), MultipartError> {
    let mut bytes = 0_u64;
    let mut file = File::create(path).await.map_err(Unkept::Io);
    while let Some(piece) = piece(visitor, field).await? {
        bytes += piece.len() as u64;
        if let Ok(open) = &mut file {
            if bytes > limit {
                file = Err(Unkept::TooLarge);
                // Room on the disk is given back at once, not after gigabytes more.
                tokio::fs::remove_file(path).await.ok();
            } else if let Err(error) = open.write_all(&piece).await {
                file = Err(Unkept::Io(error));
            }
        }
    }
    let ended = match file {
        Ok(mut file) => file.flush().await.map_err(Unkept::Io),
        Err(unkept) => Err(unkept),
    };
    Ok((bytes, ended))
}

/// The message about a file that is larger than the limit.
fn too_large(name: &str, limit: u64) -> String {
    format!(
        "{name} is larger than {}, the most that this page takes\n  help: `sondeproof audit {name}` reads it from \
         the terminal, or start the page with a higher `--upload-limit`",
        size(limit)
    )
}

/// Bytes as people read them.
pub(super) fn size(bytes: u64) -> String {
    match bytes as f64 {
        b if b < 1e3 => format!("{bytes} bytes"),
        b if b < 1e6 => format!("{:.0} kB", b / 1e3),
        b if b < 1e9 => format!("{:.1} MB", b / 1e6),
        b => format!("{:.2} GB", b / 1e9),
    }
}

/// The last part of the name that a browser gives, without marks that could mislead; it never names a file here.
fn shown(name: &str) -> String {
    let last = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let harmless = last.chars().map(|c| match c {
        c if c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}') => '\u{fffd}',
        c => c,
    });
    harmless.take(NAME_MOST).collect::<String>().trim().to_owned()
}
