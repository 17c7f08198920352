//! A change of users is done once the running daemon goes by it: until then whoever was shut out is still inside.

use super::Change;
use crate::cli::ask::Daemon;
use crate::cli::{Exit, fail, refused_with};
use axum::http::StatusCode;
use serde_json::{Value, json};
use setward_config::Door;
use std::fs;
use std::path::Path;
use std::time::Duration;

/// How long the daemon may take: it may be about to begin another run, and a machine may be busy.
const WITHIN: Duration = Duration::from_secs(30);

/// Has the running daemon take up `file`, if there is one, and says what of `change` is so by now.
pub(super) async fn take_up(door: &Door, file: &Path, change: &Change) -> Exit {
    let daemon = match Daemon::at_socket(&door.data_dir).await {
        Ok(Some(daemon)) => daemon,
        Ok(None) => {
            println!(
                "{}\nno daemon is running here; a daemon takes it up at its start, or with `setward reload`",
                change.told
            );
            return Exit::Ok;
        }
        Err(why) => return fail(&not_in_force(file, change, &why)),
    };
    let place = fs::canonicalize(file).unwrap_or_else(|_gone| file.to_path_buf());
    let body = json!({ "by": "setward user", "file": place.to_string_lossy() });
    match daemon.tell_within("/api/v1/users/reload", &body, WITHIN).await {
        Ok((StatusCode::OK, _)) => {
            println!("{}\nthe running daemon has taken it up", change.told);
            Exit::Ok
        }
        Ok((status, answer)) => {
            let detail = answer.get("detail").and_then(Value::as_str).unwrap_or("it gives no reason");
            eprintln!("setward: {}", not_in_force(file, change, &format!("{detail} ({status})")));
            refused_with(status)
        }
        Err(text) => fail(&not_in_force(file, change, &text)),
    }
}

fn not_in_force(file: &Path, change: &Change, why: &str) -> String {
    format!(
        "{} has it, but the running daemon does not go by it: {}.\n  Why: {}\n  What to do: mend that; then the next change by \
         `setward user`, `setward reload`, or a new start of the daemon takes it up",
        file.display(),
        change.until_then,
        why.trim_end()
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::doors::socket;
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
    use tokio::net::UnixListener;

    /// What becomes of a change where the daemon gives this answer.
    async fn answered(answer: &str) -> Exit {
        let folder = tempfile::tempdir().unwrap();
        let listener = UnixListener::bind(socket::path(folder.path())).unwrap();
        let answer = answer.to_owned();
        let daemon = tokio::spawn(async move {
            // The first only looks whether somebody listens.
            for _ in 0..2 {
                let (mut stream, _) = listener.accept().await.unwrap();
                let mut asked = [0; 4096];
                if stream.read(&mut asked).await.unwrap() > 0 {
                    stream.write_all(answer.as_bytes()).await.unwrap();
                }
            }
        });
        let door = Door { users: None, data_dir: folder.path().to_path_buf() };
        let change =
            Change::new("Otto may not come in any more".to_owned(), "Otto is STILL SIGNED IN".to_owned());
        let exit = take_up(&door, &folder.path().join("users.toml"), &change).await;
        daemon.await.unwrap();
        exit
    }

    #[tokio::test]
    async fn a_change_that_the_daemon_does_not_go_by_is_no_success() {
        let with = |status: &str| {
            let body = "{\"detail\":\"the role engineer\"}";
            format!("HTTP/1.1 {status}\r\ncontent-length: {}\r\n\r\n{body}", body.len())
        };
        assert_eq!(answered(&with("200 OK")).await, Exit::Ok);
        assert_eq!(answered(&with("403 Forbidden")).await, Exit::NotPermitted);
        for other in ["404 Not Found", "409 Conflict", "422 Unprocessable Content"] {
            assert_eq!(answered(&with(other)).await, Exit::Failure, "{other}");
        }
        assert_eq!(answered("").await, Exit::Failure, "hung up");
    }

    #[test]
    fn it_says_who_is_still_inside_and_what_to_do() {
        let change = Change::new(String::new(), "Otto is STILL SIGNED IN".to_owned());
        let told = not_in_force(Path::new("users.toml"), &change, "it is busy");
        for phrase in ["users.toml has it, but", "Otto is STILL SIGNED IN", "Why: it is busy", "What to do:"]
        {
            assert!(told.contains(phrase), "{phrase}: {told}");
        }
    }
}
