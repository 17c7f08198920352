//! Alarms to whoever listens at a broker of messages, by MQTT 3.1.1: each message once it is due, and, kept by the broker, the
//! present state of every alarm and of the line. README.md beside this file is for whoever listens.
//!
//! ```text
//! TOPIC/line         retained: "online" with counts and modes; "offline" by us at the end, or by the broker when we are gone
//! TOPIC/alarms/ID    retained: the state of each alarm
//! TOPIC/messages     what the other channels send too, at least once
//! ```
//! Everything goes with quality of service 1, one after the other: the next once the broker has acknowledged the one before. With each
//! connection every state is sent anew, since a broker may have lost what it kept. What waits while the broker is away waits where it
//! does for every channel: in `notify.json` and the history; nothing is queued here.

mod state;
pub(super) mod wire;

use super::deliver::{Deliver, Receipt, SendError};
use super::letter::Letterhead;
use super::message::Message;
use super::secret;
use crate::clock::Clock;
use crate::handle::LineHandle;
use crate::history::sha256_hex;
use crate::snapshot::LineSnapshot;
use crate::supervision::{Supervision, TaskName};
use async_trait::async_trait;
use rumqttc::{Connect, LastWill, Packet, Publish, QoS};
use setward_alarm::AlarmId;
use setward_config::line::{Broker, Line};
use state::{AlarmEssence, LineEssence};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Mutex, OwnedMutexGuard, mpsc, oneshot, watch};
use tokio::time::{Instant, sleep, sleep_until, timeout};
use wire::Wire;

/// How often it is looked whether a state has changed.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// How long the broker may take to acknowledge, and to say that it is there.
const ANSWERED_WITHIN: Duration = Duration::from_secs(10);
/// How long a message may take in all.
const DELIVER_WITHIN: Duration = Duration::from_secs(20);
/// A broker that hears nothing for one and a half times as long takes us for gone.
const KEEP_ALIVE: Duration = Duration::from_secs(30);
/// How long the last word may take.
const LAST_WORD_WITHIN: Duration = Duration::from_secs(1);
/// Waits between connections: the first, and the longest.
const FIRST_WAIT: Duration = Duration::from_secs(1);
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// Messages that may wait for the connection: there is one at a time, and a try.
const WISHES_MAX: usize = 4;

/// A broker.
#[derive(Debug)]
pub(super) struct Announcer {
    wishes: mpsc::Sender<Wish>,
}

/// What a line that is watched adds: its states, the end of the run, and who begins anew what fails.
#[derive(Clone)]
pub(super) struct Live {
    pub(super) handle: LineHandle,
    pub(super) stopped: watch::Receiver<bool>,
    pub(super) supervision: Supervision,
}

/// A message, and where it is said what came of it.
struct Wish {
    message: Message,
    answer: oneshot::Sender<Result<Receipt, SendError>>,
}

impl Announcer {
    /// Connects and stays connected as long as anybody holds this, or until the line is no longer watched. Without a line that is
    /// watched only messages go, under a name of their own, so that nobody who is connected is pushed out.
    pub(super) fn new(
        broker: Broker,
        name: &str,
        (line, clock): (&Arc<Line>, Clock),
        live: Option<Live>,
    ) -> Self {
        let (wishes, arriving) = mpsc::channel(WISHES_MAX);
        let end = if live.is_some() { "" } else { "try" };
        let print = sha256_hex(format!("{}\n{}\n{name}\n{end}", line.plant, line.name).as_bytes());
        // At most 23 letters and digits: more need not be accepted.
        let client_id = format!("setward{}", print.get(..16).unwrap_or(&print));
        let doing = format!("telling the broker {}:{}", broker.host, broker.port);
        let supervision = live.as_ref().map(|live| live.supervision.clone());
        // A task that begins anew goes on with what waits.
        let (line, arriving) = (Arc::clone(line), Arc::new(Mutex::new(arriving)));
        let begin = move || {
            let (broker, line, client_id) = (broker.clone(), Arc::clone(&line), client_id.clone());
            let (arriving, live) = (Arc::clone(&arriving), live.clone());
            async move {
                let arriving = arriving.lock_owned().await;
                Task { broker, line, client_id, arriving, live, clock }.run().await;
            }
        };
        match supervision {
            Some(supervision) => {
                tokio::spawn(supervision.keep(TaskName { event: "telling failed", doing }, begin))
            }
            None => tokio::spawn(begin()),
        };
        Self { wishes }
    }
}

#[async_trait]
impl Deliver for Announcer {
    async fn deliver(&self, message: &Message) -> Result<Receipt, SendError> {
        let ended = || {
            SendError::Unreachable(
                "the connection's task has ended: setward is stopping, or it failed".to_owned(),
            )
        };
        let (answer, answered) = oneshot::channel();
        let wish = Wish { message: message.clone(), answer };
        let delivering = async {
            self.wishes.send(wish).await.map_err(|_closed| ended())?;
            answered.await.map_err(|_dropped| ended())?
        };
        let late = || format!("no answer within {} s", DELIVER_WITHIN.as_secs());
        timeout(DELIVER_WITHIN, delivering).await.unwrap_or_else(|_late| Err(SendError::Unreachable(late())))
    }
}

/// The task of one broker.
struct Task {
    broker: Broker,
    line: Arc<Line>,
    client_id: String,
    arriving: OwnedMutexGuard<mpsc::Receiver<Wish>>,
    live: Option<Live>,
    clock: Clock,
}

/// How a connection, or a wait for the next, ended.
enum Ended {
    /// Nobody wants anything any more.
    ForGood,
    /// The connection is lost, or the wait is over.
    Lost(SendError),
}

/// What is on its way, until the broker has acknowledged it.
struct OnItsWay {
    packet_id: u16,
    /// By then at the latest.
    until: Instant,
    wish: Option<Wish>,
}

/// A connection, and what has been said over it.
struct Link {
    wire: Wire,
    on_its_way: Option<OnItsWay>,
    packet_id: u16,
    next_ping: Instant,
    /// By when the broker must have said something, once it has been asked whether it is there.
    heard_by: Option<Instant>,
    clock: Clock,
    alarms: Vec<Option<AlarmEssence>>,
    line: Option<LineEssence>,
}

/// What comes next.
enum Turn {
    Stop,
    Packet(Result<Packet, String>),
    /// The broker has not acknowledged, or not said that it is there, in time.
    Late,
    Ping,
    Wish(Option<Wish>),
    Look,
}

impl Task {
    async fn run(mut self) {
        let mut wait = FIRST_WAIT;
        loop {
            let found = match self.connect().await {
                Ok(link) => {
                    wait = FIRST_WAIT;
                    self.talk(link).await
                }
                Err(error) => Ended::Lost(error),
            };
            let Ended::Lost(why) = found else { return };
            tracing::debug!(code = "mqtt", "{}: {}", self.broker.host, why.text());
            if let Ended::ForGood = self.rest(why, wait).await {
                return;
            }
            wait = (wait * 2).min(LONGEST_WAIT);
        }
    }

    fn publish(&self, end: &str, body: String, is_kept: bool) -> Publish {
        let topic = format!("{}/{end}", self.broker.topic);
        Publish { retain: is_kept, ..Publish::new(topic, QoS::AtLeastOnce, body) }
    }

    async fn connect(&self) -> Result<Link, SendError> {
        let mut hello = Connect::new(self.client_id.clone());
        hello.keep_alive = u16::try_from(KEEP_ALIVE.as_secs()).unwrap_or(u16::MAX);
        if self.live.is_some() {
            let topic = format!("{}/line", self.broker.topic);
            hello.last_will = Some(LastWill::new(topic, state::offline(&self.line), QoS::AtLeastOnce, true));
        }
        if let Some((user, file)) = &self.broker.login {
            let password =
                secret::read(file).map_err(|why| SendError::Refused(format!("the password in {why}")))?;
            hello.set_login(user, password);
        }
        let wire = Wire::open(&self.broker, hello).await?;
        Ok(Link::new(wire, self.clock, self.line.alarms.len()))
    }

    /// Waits before the next connection; whoever wants a message sent meanwhile is told why it can't be.
    async fn rest(&mut self, why: SendError, wait: Duration) -> Ended {
        let mut over = std::pin::pin!(sleep(wait));
        loop {
            tokio::select! {
                biased;
                () = is_stopped(&mut self.live) => return Ended::ForGood,
                wish = self.arriving.recv() => match wish {
                    // Who asked may have gone.
                    Some(wish) => drop(wish.answer.send(Err(why.clone()))),
                    None => return Ended::ForGood,
                },
                () = &mut over => return Ended::Lost(why),
            }
        }
    }

    /// Says what is to be said until the connection or the run ends.
    async fn talk(&mut self, mut link: Link) -> Ended {
        loop {
            if link.is_free()
                && let Err(why) = self.say_next(&mut link).await
            {
                return link.lost(why);
            }
            let is_free = link.is_free();
            let turn = tokio::select! {
                biased;
                () = is_stopped(&mut self.live) => Turn::Stop,
                turn = link.hear() => turn,
                wish = self.arriving.recv(), if is_free => Turn::Wish(wish),
                () = sleep(LOOK_EVERY), if is_free => Turn::Look,
            };
            let went = match turn {
                Turn::Stop => {
                    let _late = timeout(LAST_WORD_WITHIN, self.last_word(link)).await;
                    return Ended::ForGood;
                }
                Turn::Wish(None) => return Ended::ForGood,
                Turn::Wish(Some(wish)) => self.say(&mut link, wish).await,
                Turn::Packet(packet) => packet.map(|packet| link.take(&packet, &self.broker)),
                Turn::Late => {
                    Err(format!("the broker does not answer within {} s", ANSWERED_WITHIN.as_secs()))
                }
                Turn::Ping => link.ping().await,
                Turn::Look => Ok(()),
            };
            if let Err(why) = went {
                return link.lost(why);
            }
        }
    }

    /// Begins with what waits, if anything does: a message first. A new connection has hundreds of states to say, each a way to the
    /// broker and back, and nobody waits for a message that long.
    async fn say_next(&mut self, link: &mut Link) -> Result<(), String> {
        while let Ok(wish) = self.arriving.try_recv() {
            self.say(link, wish).await?;
            if !link.is_free() {
                return Ok(());
            }
        }
        match self.changed(link) {
            Some(publish) => link.start(publish, None).await,
            None => Ok(()),
        }
    }

    /// Sends a message, unless whoever asked has given it up: it would go as one more copy.
    async fn say(&self, link: &mut Link, wish: Wish) -> Result<(), String> {
        if wish.answer.is_closed() {
            return Ok(());
        }
        let body = Letterhead::of(&self.line).body(&wish.message);
        link.start(self.publish("messages", body, false), Some(wish)).await
    }

    /// A state that the broker does not have yet, over this connection: the line's first.
    fn changed(&self, link: &mut Link) -> Option<Publish> {
        let live = self.live.as_ref()?;
        let snapshot = live.handle.glance();
        let line = LineEssence::of(&self.line, &snapshot);
        if link.line.as_ref() != Some(&line) {
            link.line = Some(line);
            return Some(self.publish("line", state::of_line(&self.line, &snapshot), true));
        }
        self.changed_alarm(link, &snapshot)
    }

    fn changed_alarm(&self, link: &mut Link, snapshot: &LineSnapshot) -> Option<Publish> {
        let ids = (0..=u16::MAX).map(AlarmId);
        for ((id, view), said) in ids.zip(&snapshot.alarms).zip(&mut link.alarms) {
            let essence = AlarmEssence::of(view);
            if *said != Some(essence) {
                *said = Some(essence);
                let body = state::of_alarm(&self.line, snapshot, id, view);
                return Some(self.publish(&format!("alarms/{}", self.line.alarm(id).id), body, true));
            }
        }
        None
    }

    /// Says that nobody watches any more, and goes.
    async fn last_word(&self, mut link: Link) -> Result<(), String> {
        link.start(self.publish("line", state::offline(&self.line), true), None).await?;
        while !link.is_free() {
            let packet = link.wire.next().await?;
            link.take(&packet, &self.broker);
        }
        link.wire.send(&Packet::Disconnect).await
    }
}

impl Link {
    fn new(wire: Wire, clock: Clock, alarms: usize) -> Self {
        Self {
            wire,
            on_its_way: None,
            packet_id: 0,
            next_ping: clock.now() + KEEP_ALIVE,
            heard_by: None,
            clock,
            alarms: vec![None; alarms],
            line: None,
        }
    }

    const fn is_free(&self) -> bool {
        self.on_its_way.is_none()
    }

    async fn start(&mut self, publish: Publish, wish: Option<Wish>) -> Result<(), String> {
        self.packet_id = self.packet_id.checked_add(1).unwrap_or(1);
        let until = self.clock.now() + ANSWERED_WITHIN;
        self.on_its_way = Some(OnItsWay { packet_id: self.packet_id, until, wish });
        self.wire.send(&Packet::Publish(Publish { pkid: self.packet_id, ..publish })).await
    }

    /// What the broker says, or what its silence means. Whoever stops waiting loses nothing.
    async fn hear(&mut self) -> Turn {
        let acknowledged_by = self.on_its_way.as_ref().map(|one| one.until);
        let late = acknowledged_by.into_iter().chain(self.heard_by).min();
        tokio::select! {
            biased;
            packet = self.wire.next() => Turn::Packet(packet),
            () = sleep_until(late.unwrap_or(self.next_ping)), if late.is_some() => Turn::Late,
            () = sleep_until(self.next_ping) => Turn::Ping,
        }
    }

    /// Asks whether the broker is there: over a connection that has died without a word the system goes on sending for a quarter of an hour.
    async fn ping(&mut self) -> Result<(), String> {
        self.next_ping = self.clock.now() + KEEP_ALIVE;
        self.heard_by = Some(self.clock.now() + ANSWERED_WITHIN);
        self.wire.send(&Packet::PingReq).await
    }

    /// An acknowledgement frees the way; whatever else a broker says asks for nothing, but shows that it is there.
    fn take(&mut self, packet: &Packet, broker: &Broker) {
        self.heard_by = None;
        let Packet::PubAck(found) = packet else { return };
        if let Some(one) = self.on_its_way.take_if(|one| one.packet_id == found.pkid)
            && let Some(wish) = one.wish
        {
            let answer = format!("{}:{} has acknowledged it", broker.host, broker.port);
            // Who asked may have gone.
            let _gone = wish.answer.send(Ok(Receipt { answer, complaint: None }));
        }
    }

    /// The connection is gone; whether the message on its way has arrived is not known, so it goes again.
    fn lost(self, why: String) -> Ended {
        let why = SendError::Unreachable(why);
        if let Some(wish) = self.on_its_way.and_then(|one| one.wish) {
            let _gone = wish.answer.send(Err(why.clone()));
        }
        Ended::Lost(why)
    }
}

/// Returns once the line is no longer watched; never, where it is not watched anyway.
async fn is_stopped(live: &mut Option<Live>) {
    match live {
        // Without its sender the run has ended too.
        Some(live) => drop(live.stopped.wait_for(|stopped| *stopped).await),
        None => std::future::pending().await,
    }
}

#[cfg(test)]
#[path = "mqtt_tests.rs"]
mod tests;
