//! The tables of `site.toml` that say who is told of alarms.

use crate::line::MailTls;
use crate::problem::{At, Span};
use crate::reader::TableReader;
use std::time::Duration;

/// `[mail]`.
#[derive(Debug)]
pub(crate) struct RawMail {
    pub(crate) at: Span,
    pub(crate) server: Option<At<String>>,
    pub(crate) tls: Option<At<MailTls>>,
    pub(crate) user: Option<At<String>>,
    pub(crate) password_file: Option<At<String>>,
    pub(crate) ca: Option<At<String>>,
    pub(crate) from: Option<At<String>>,
    pub(crate) to: Vec<RawMailTo>,
}

/// `[[mail.to]]`.
#[derive(Debug)]
pub(crate) struct RawMailTo {
    pub(crate) addresses: Option<At<Vec<At<String>>>>,
    pub(crate) rules: RawChannel,
}

/// `[[webhook]]`.
#[derive(Debug)]
pub(crate) struct RawWebhook {
    pub(crate) url: Option<At<String>>,
    pub(crate) secret_file: Option<At<String>>,
    pub(crate) ca: Option<At<String>>,
    pub(crate) rules: RawChannel,
}

/// `[[mqtt]]`.
#[derive(Debug)]
pub(crate) struct RawMqtt {
    pub(crate) server: Option<At<String>>,
    pub(crate) topic: Option<At<String>>,
    pub(crate) tls: Option<At<bool>>,
    pub(crate) user: Option<At<String>>,
    pub(crate) password_file: Option<At<String>>,
    pub(crate) ca: Option<At<String>>,
    pub(crate) rules: RawChannel,
}

/// What every way to somebody has.
#[derive(Debug)]
pub(crate) struct RawChannel {
    pub(crate) at: Span,
    pub(crate) name: Option<At<String>>,
    pub(crate) priorities: Option<At<Vec<At<String>>>>,
    pub(crate) shifts: Option<At<Vec<At<String>>>>,
    pub(crate) quiet: Option<At<Vec<At<String>>>>,
    pub(crate) quiet_high: Option<At<bool>>,
    pub(crate) after: Option<At<Duration>>,
    pub(crate) remind_every: Option<At<Duration>>,
    pub(crate) returns: Option<At<bool>>,
    pub(crate) alive_at: Option<At<String>>,
}

const TLS: [(&str, MailTls); 3] =
    [("starttls", MailTls::StartTls), ("tls", MailTls::Whole), ("none", MailTls::None)];

pub(crate) fn mail(reader: &mut TableReader<'_, '_>) -> RawMail {
    RawMail {
        at: reader.at(),
        server: reader.need_text("server", "\"mail.plant.example:587\""),
        tls: reader.may_word("tls", &TLS),
        user: reader.may_text("user", "\"setward\""),
        password_file: reader.may_text("password_file", "\"mail-password\""),
        ca: reader.may_text("ca", "\"plant-ca.pem\""),
        from: reader.need_text("from", "\"setward@plant.example\""),
        to: reader.tables("to", "[[mail.to]]", mail_to),
    }
}

fn mail_to(reader: &mut TableReader<'_, '_>) -> RawMailTo {
    RawMailTo {
        addresses: reader.need("addresses", "[\"technician@plant.example\"]"),
        rules: channel(reader, "\"technician\""),
    }
}

pub(crate) fn webhook(reader: &mut TableReader<'_, '_>) -> RawWebhook {
    RawWebhook {
        url: reader.need_text("url", "\"https://127.0.0.1:8600/setward\""),
        secret_file: reader.need_text("secret_file", "\"webhook-secret\""),
        ca: reader.may_text("ca", "\"plant-ca.pem\""),
        rules: channel(reader, "\"pager\""),
    }
}

pub(crate) fn mqtt(reader: &mut TableReader<'_, '_>) -> RawMqtt {
    RawMqtt {
        server: reader.need_text("server", "\"broker.plant.example:8883\""),
        topic: reader.need_text("topic", "\"plant/line-2\""),
        tls: reader.may("tls", "true` or `tls = false"),
        user: reader.may_text("user", "\"setward\""),
        password_file: reader.may_text("password_file", "\"mqtt-password\""),
        ca: reader.may_text("ca", "\"plant-ca.pem\""),
        rules: channel(reader, "\"boards\""),
    }
}

fn channel(reader: &mut TableReader<'_, '_>, name: &str) -> RawChannel {
    RawChannel {
        at: reader.at(),
        name: reader.need_text("name", name),
        priorities: reader.may("priorities", "[\"high\", \"medium\"]"),
        shifts: reader.may("shifts", "[\"night\"]"),
        quiet: reader.may("quiet", "[\"22:00\", \"06:00\"]"),
        quiet_high: reader.may("quiet_high", "true` or `quiet_high = false"),
        after: reader.may_time("after", "\"10 min\""),
        remind_every: reader.may_time("remind_every", "\"15 min\""),
        returns: reader.may("returns", "true` or `returns = false"),
        alive_at: reader.may_text("alive_at", "\"07:00\""),
    }
}
