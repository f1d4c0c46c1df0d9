//! Which frames of a capture are meant.

use clap::Args;
use lostnode_parsers::frame::parse_id;
use lostnode_parsers::{Id, Timestamp};

use super::Failure;
use crate::capture::Frame;

/// Channels, identifiers and a stretch of time.
#[derive(Args)]
pub struct Filter {
    /// Only these channels
    #[arg(long, value_name = "NAME")]
    channel: Vec<String>,
    /// Only these identifiers: 3 hexadecimal digits for 11 bits, 8 for 29 bits, or a range such as
    /// 700-7FF
    #[arg(long, value_name = "ID", value_parser = id_range)]
    id: Vec<(Id, Id)>,
    /// Only frames at least this many seconds after the first frame
    #[arg(long, value_name = "SECONDS", value_parser = number)]
    from: Option<f64>,
    /// Only frames at most this many seconds after the first frame
    #[arg(long, value_name = "SECONDS", value_parser = number)]
    to: Option<f64>,
}

fn number(text: &str) -> Result<f64, String> {
    let number = text.parse().ok().filter(|value: &f64| value.is_finite());
    number.ok_or_else(|| format!("`{text}` is no number of seconds"))
}

fn id_range(text: &str) -> Result<(Id, Id), String> {
    let one = |text: &str| {
        let digits = text.trim_start_matches("0x");
        parse_id(digits).ok_or_else(|| {
            format!(
                "`{text}` is no identifier: write 3 hexadecimal digits up to 7FF or 8 up to \
                 1FFFFFFF"
            )
        })
    };
    let (low, high) = text.split_once('-').unwrap_or((text, text));
    match (one(low)?, one(high)?) {
        (low @ Id::Standard(_), high @ Id::Standard(_))
        | (low @ Id::Extended(_), high @ Id::Extended(_)) => match low <= high {
            true => Ok((low, high)),
            false => {
                Err(format!("`{text}` ends before it begins; the lower identifier goes first"))
            }
        },
        _ => Err("both ends of a range need the same number of digits".to_owned()),
    }
}

impl Filter {
    /// Refuses a stretch of time that holds nothing.
    ///
    /// # Errors
    /// Where it ends before it begins.
    pub fn check(&self) -> Result<(), Failure> {
        match (self.from, self.to) {
            (Some(from), Some(to)) if to < from => {
                Err(Failure::message(format!("--to {to} lies before --from {from}")))
            }
            _ => Ok(()),
        }
    }

    /// What to say where no frame was meant; `channels` are those of the capture.
    pub fn nothing(&self, channels: &[String]) -> String {
        let unknown = self.channel.iter().find(|wanted| !channels.contains(wanted));
        match unknown {
            Some(wanted) => format!(
                "no frame: there is no channel {wanted} in the capture; it has {}",
                channels.join(", ")
            ),
            None => "no frame of the capture is of that channel, identifier and time".to_owned(),
        }
    }

    /// Whether a frame is meant, given the time of the first frame of the capture.
    pub fn wants(&self, frame: &Frame, channel: &str, start: Option<Timestamp>) -> bool {
        let by_channel =
            self.channel.is_empty() || self.channel.iter().any(|wanted| wanted == channel);
        let by_id = self.id.is_empty()
            || frame.kind.id().is_some_and(|id| {
                let same_width = |low: &Id| {
                    matches!(
                        (low, id),
                        (Id::Standard(_), Id::Standard(_)) | (Id::Extended(_), Id::Extended(_))
                    )
                };
                self.id.iter().any(|(low, high)| same_width(low) && (*low..=*high).contains(&id))
            });
        let by_time = self.from.is_none() && self.to.is_none()
            || matches!((frame.time, start), (Some(time), Some(start)) if {
                let elapsed = crate::fold::timing::seconds(time.since(start));
                self.from.is_none_or(|from| elapsed >= from)
                    && self.to.is_none_or(|to| elapsed <= to)
            });
        by_channel && by_id && by_time
    }
}
