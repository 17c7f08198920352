//! `site.toml`: what differs between a simulator and the plant.

use super::notify::{self, RawMail, RawMqtt, RawWebhook};
use super::setpoint_write::{self, RawSetpointWrite};
use crate::problem::{At, Code, Span};
use crate::reader::TableReader;
use std::time::Duration;

/// All of `site.toml`.
#[derive(Debug, Default)]
pub(crate) struct RawSite {
    pub(crate) simulated: Option<At<bool>>,
    pub(crate) data_dir: Option<At<String>>,
    pub(crate) page: Option<At<String>>,
    pub(crate) page_url: Option<At<String>>,
    pub(crate) endpoints: Vec<RawEndpoint>,
    pub(crate) history: Option<RawHistory>,
    pub(crate) servers: Vec<RawServer>,
    pub(crate) mail: Option<RawMail>,
    pub(crate) webhooks: Vec<RawWebhook>,
    pub(crate) mqtts: Vec<RawMqtt>,
    pub(crate) users: Option<At<String>>,
    /// Whether looking needs a login.
    pub(crate) view_login: Option<At<bool>>,
    pub(crate) page_names: Option<At<Vec<At<String>>>>,
    pub(crate) tls: Option<RawTls>,
    pub(crate) setpoint_writes: Vec<RawSetpointWrite>,
}

#[derive(Debug)]
pub(crate) struct RawTls {
    pub(crate) certificate: Option<At<String>>,
    pub(crate) key: Option<At<String>>,
}

#[derive(Debug)]
pub(crate) struct RawEndpoint {
    pub(crate) at: Span,
    pub(crate) controller: Option<At<String>>,
    pub(crate) address: Option<At<String>>,
    pub(crate) unit_id: Option<At<i64>>,
    pub(crate) identity: Option<At<String>>,
}

#[derive(Debug)]
pub(crate) struct RawHistory {
    pub(crate) readings_days: Option<At<i64>>,
    pub(crate) minutes_days: Option<At<i64>>,
    pub(crate) hours_days: Option<At<i64>>,
    pub(crate) most_gigabytes: Option<At<i64>>,
    pub(crate) free_megabytes: Option<At<i64>>,
}

#[derive(Debug)]
pub(crate) struct RawServer {
    pub(crate) at: Span,
    pub(crate) name: Option<At<String>>,
    pub(crate) url: Option<At<String>>,
    pub(crate) org: Option<At<String>>,
    pub(crate) bucket: Option<At<String>>,
    pub(crate) token_file: Option<At<String>>,
    pub(crate) ca: Option<At<String>>,
    pub(crate) send: Option<At<Vec<At<String>>>>,
    pub(crate) behind_most: Option<At<Duration>>,
}

/// Reads all of `site.toml`.
pub(crate) fn read(reader: &mut TableReader<'_, '_>) -> RawSite {
    if !reader.has("simulated") {
        let hint =
            "add `simulated = false` for a plant, or `simulated = true` for a simulator: pages say which"
                .to_owned();
        reader.absent(Code::MissingKey, "simulated", format!("{} has no `simulated`", reader.label()), hint);
    }
    RawSite {
        simulated: reader.may("simulated", "true` or `simulated = false"),
        data_dir: reader.may_text("data_dir", "\".setward\""),
        page: reader.may_text("page", "\"127.0.0.1:8470\""),
        page_url: reader.may_text("page_url", "\"https://line-2.plant.example\""),
        endpoints: reader.tables("endpoint", "[[endpoint]]", endpoint),
        history: reader.may_table("history", "[history]", history),
        servers: reader.tables("server", "[[server]]", server),
        mail: reader.may_table("mail", "[mail]", notify::mail),
        webhooks: reader.tables("webhook", "[[webhook]]", notify::webhook),
        mqtts: reader.tables("mqtt", "[[mqtt]]", notify::mqtt),
        users: reader.may_text("users", "\"users.toml\""),
        view_login: reader.may_word("view", &[("open", false), ("login", true)]),
        page_names: reader.may("page_names", "[\"line-2.plant.example\"]"),
        tls: reader.may_table("tls", "[tls]", tls),
        setpoint_writes: reader.tables(
            "setpoint-write",
            "[[setpoint-write]]",
            setpoint_write::setpoint_write,
        ),
    }
}

fn tls(reader: &mut TableReader<'_, '_>) -> RawTls {
    RawTls {
        certificate: reader.may_text("certificate", "\"page.pem\""),
        key: reader.may_text("key", "\"page-key.pem\""),
    }
}

fn history(reader: &mut TableReader<'_, '_>) -> RawHistory {
    RawHistory {
        readings_days: reader.may_whole("readings_days", "1096", 1, 36_600),
        minutes_days: reader.may_whole("minutes_days", "1096", 1, 36_600),
        hours_days: reader.may_whole("hours_days", "3660", 1, 36_600),
        most_gigabytes: reader.may_whole("most_gigabytes", "32", 1, 100_000),
        free_megabytes: reader.may_whole("free_megabytes", "200", 0, 1_000_000),
    }
}

fn server(reader: &mut TableReader<'_, '_>) -> RawServer {
    RawServer {
        at: reader.at(),
        name: reader.need_text("name", "\"central\""),
        url: reader.need_text("url", "\"http://127.0.0.1:8428\""),
        org: reader.may_text("org", "\"plant\""),
        bucket: reader.need_text("bucket", "\"line-2\""),
        token_file: reader.may_text("token_file", "\"server-token\""),
        ca: reader.may_text("ca", "\"plant-ca.pem\""),
        send: reader.may("send", "[\"TT-310\"]"),
        behind_most: reader.may_time("behind_most", "\"15 min\""),
    }
}

fn endpoint(reader: &mut TableReader<'_, '_>) -> RawEndpoint {
    RawEndpoint {
        at: reader.at(),
        controller: reader.need_text("controller", "\"fryer\""),
        address: reader.need_text("address", "\"127.0.0.1:15503\""),
        unit_id: reader.may_whole("unit_id", "1", 0, 255),
        identity: reader.may_text("identity", "\"simulated fryer\""),
    }
}
