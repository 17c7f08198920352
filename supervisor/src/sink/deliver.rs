//! One batch of lines to a server: what the server refuses is found by halving and left out, the rest gets through.

use super::{PointWriter, WriteError};

/// A line that the server refuses, and what it said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Rejected {
    pub(super) line: String,
    pub(super) why: String,
}

/// Writes lines in their order; gives those that were refused. After an error the whole batch may be written again.
pub(super) async fn deliver(writer: &dyn PointWriter, lines: &[String]) -> Result<Vec<Rejected>, WriteError> {
    let mut rejected = Vec::new();
    let mut waiting = vec![lines];
    while let Some(part) = waiting.pop() {
        if part.is_empty() {
            continue;
        }
        match writer.write(part.join("\n")).await {
            Ok(()) => {}
            Err(WriteError::BadPoint(why) | WriteError::TooLarge(why)) => match part {
                [line] => rejected.push(Rejected { line: line.clone(), why }),
                part => {
                    let (first, second) = part.split_at(part.len() / 2);
                    waiting.extend([second, first]);
                }
            },
            Err(error @ (WriteError::Unreachable(_) | WriteError::Busy(_) | WriteError::Refused(_))) => {
                return Err(error);
            }
        }
    }
    Ok(rejected)
}
