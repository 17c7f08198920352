//! Who is told of alarms away from the page, by which way, and when.

use super::Priority;
use std::path::PathBuf;
use std::time::Duration;

/// Everything that leaves this machine for people or for other programs.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Notify {
    /// Address under which people open the page, without a slash at its end; `None`: messages carry no link.
    pub page_url: Option<String>,
    /// Every way, mail first; the order of the file otherwise.
    pub channels: Vec<Channel>,
}

impl Notify {
    /// Every file that is named: of secrets and of certificates.
    pub fn files_mut(&mut self) -> impl Iterator<Item = &mut PathBuf> {
        self.channels
            .iter_mut()
            .flat_map(|channel| match &mut channel.way {
                Way::Mail(mail) => [mail.relay.login.as_mut().map(|(_, file)| file), mail.relay.ca.as_mut()],
                Way::Webhook(hook) => [Some(&mut hook.secret_file), hook.ca.as_mut()],
                Way::Mqtt(broker) => {
                    let ca = match &mut broker.tls {
                        BrokerTls::Plant(ca) => Some(ca),
                        BrokerTls::Web | BrokerTls::None => None,
                    };
                    [broker.login.as_mut().map(|(_, file)| file), ca]
                }
            })
            .flatten()
    }
}

/// One way to somebody.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channel {
    /// What it is called in events and commands; unique.
    pub name: String,
    /// How messages go.
    pub way: Way,
    /// What goes, and when.
    pub rules: ChannelRules,
}

/// How messages go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Way {
    /// By mail.
    Mail(MailTo),
    /// To another program, over HTTP.
    Webhook(Webhook),
    /// To whoever listens at a broker, by MQTT; the states of all alarms stand there too.
    Mqtt(Broker),
}

/// A group of receivers behind a mail relay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MailTo {
    /// The relay.
    pub relay: Relay,
    /// Sender.
    pub from: String,
    /// Receivers; never empty.
    pub to: Vec<String>,
}

/// A plant's mail relay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Relay {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// How it is encrypted.
    pub tls: MailTls,
    /// Login and the file that holds its password, relative to the line folder; `None`: the relay asks for none.
    pub login: Option<(String, PathBuf)>,
    /// The file with the certificates that its own must be signed by, relative to the line folder; `None`: the usual ones of
    /// the web.
    pub ca: Option<PathBuf>,
}

/// How the way to a mail relay is encrypted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailTls {
    /// Begins in the open and must change to TLS before anything is said.
    StartTls,
    /// TLS from the first byte.
    Whole,
    /// Not at all.
    None,
}

/// Another program that takes messages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Webhook {
    /// Where.
    pub url: String,
    /// The file that holds the key of the signature, relative to the line folder.
    pub secret_file: PathBuf,
    /// The file with the certificates that its own must be signed by, relative to the line folder; `None`: the usual ones of
    /// the web.
    pub ca: Option<PathBuf>,
}

/// A broker of messages that speaks MQTT 3.1.1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Broker {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// What every topic begins with; no slash at either end.
    pub topic: String,
    /// How the way is encrypted.
    pub tls: BrokerTls,
    /// Login and the file that holds its password, relative to the line folder; `None`: the broker asks for none.
    pub login: Option<(String, PathBuf)>,
}

/// How the way to a broker is encrypted, from the first byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum BrokerTls {
    /// The broker's certificate is signed by one of the usual authorities of the web.
    Web,
    /// It is signed by one of the certificates in this file (PEM), relative to the line folder.
    Plant(PathBuf),
    /// Not at all.
    None,
}

/// What goes to a channel, and when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChannelRules {
    /// Alarms of these priorities; never empty.
    pub priorities: Vec<Priority>,
    /// When somebody is there, in minutes of the local day; empty: always.
    pub on_duty: Vec<DaySpan>,
    /// When nothing is to ring; what comes meanwhile goes at its end.
    pub quiet: Option<DaySpan>,
    /// Whether that silences high priority too.
    pub quiet_high: bool,
    /// Only alarms that nobody has acknowledged for so long; zero: every one, at once.
    pub after: Duration,
    /// Said anew so often while nobody has acknowledged it.
    pub remind_every: Option<Duration>,
    /// Whether it is said too that an alarm is over.
    pub returns: bool,
    /// Minute of the local day at which a message says that all this still works.
    pub alive_at: Option<u16>,
}

impl Default for ChannelRules {
    fn default() -> Self {
        Self {
            priorities: vec![Priority::High, Priority::Medium, Priority::Low],
            on_duty: Vec::new(),
            quiet: None,
            quiet_high: false,
            after: Duration::ZERO,
            remind_every: None,
            returns: true,
            alive_at: None,
        }
    }
}

impl ChannelRules {
    /// Whether somebody is there at this minute of the day.
    #[must_use]
    pub fn is_on_duty(&self, minute: u16) -> bool {
        self.on_duty.is_empty() || self.on_duty.iter().any(|span| span.has(minute))
    }

    /// Whether alarms of `priority` wait at this minute of the day.
    #[must_use]
    pub fn is_quiet(&self, minute: u16, priority: Priority) -> bool {
        let may_wait = priority != Priority::High || self.quiet_high;
        may_wait && self.quiet.is_some_and(|span| span.has(minute))
    }
}

/// A stretch of the local day, in minutes after midnight; it may run past midnight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DaySpan {
    /// First minute.
    pub from: u16,
    /// One past the last minute; the same as `from`: the whole day.
    pub to: u16,
}

impl DaySpan {
    /// Whether `minute` lies in it.
    #[must_use]
    pub const fn has(self, minute: u16) -> bool {
        if self.from < self.to {
            self.from <= minute && minute < self.to
        } else {
            minute >= self.from || minute < self.to
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stretch_of_the_day_may_run_past_midnight() {
        let night = DaySpan { from: 22 * 60, to: 6 * 60 };
        assert!(night.has(22 * 60) && night.has(0) && night.has(6 * 60 - 1));
        assert!(!night.has(6 * 60) && !night.has(12 * 60) && !night.has(22 * 60 - 1));
        let day = DaySpan { from: 6 * 60, to: 22 * 60 };
        assert!((0..1440).all(|minute| day.has(minute) != night.has(minute)));
        assert!((0..1440).all(|minute| DaySpan { from: 360, to: 360 }.has(minute)));
    }

    #[test]
    fn quiet_hours_never_hold_back_high_priority_unless_said() {
        let quiet = Some(DaySpan { from: 0, to: 0 });
        let usual = ChannelRules { quiet, ..ChannelRules::default() };
        assert!(!usual.is_quiet(190, Priority::High));
        assert!(usual.is_quiet(190, Priority::Medium) && usual.is_quiet(190, Priority::Low));
        assert!(ChannelRules { quiet_high: true, ..usual }.is_quiet(190, Priority::High));
    }
}
