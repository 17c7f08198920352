//! What is not ready yet, station by station: against the recipe that runs, or one that is to run.

use super::held::{Eta, Held, Place, held_at, minutes};
use crate::entries::DueView;
use crate::web::facts::{ControllerFacts, Entered, Scene, SignalFacts, Silence, StationFacts};
use crate::web::words;
use setward_config::line::Recipe;
use setward_process::tanks::TankState;
use setward_protocol::{Mode, StationId, UtcMillis};

/// Reasons in the sentence; the others are counted.
pub(in crate::web) const IN_SENTENCE: usize = 4;

/// A setpoint that a person has entered, and that is beyond what the recipe lets them turn.
#[derive(Clone, Copy)]
pub(in crate::web) struct Turned<'a> {
    pub(in crate::web) facts: SignalFacts<'a>,
    pub(in crate::web) against: Entered,
    pub(in crate::web) value: f64,
}

/// One station.
pub(in crate::web) struct StationBoard<'a> {
    pub(in crate::web) facts: StationFacts<'a>,
    pub(in crate::web) recipe: &'a Recipe,
    pub(in crate::web) held: Vec<Held<'a>>,
    pub(in crate::web) turned: Vec<Turned<'a>>,
    /// Loops in manual, by their tags.
    pub(in crate::web) manual: Vec<&'a str>,
    /// Controllers that feed it and do not answer.
    pub(in crate::web) lost: Vec<ControllerFacts<'a>>,
    /// Its last alarm that waits for things to settle speaks then.
    pub(in crate::web) settles_until: Option<UtcMillis>,
    /// What people are to enter here now.
    pub(in crate::web) due: Vec<Due>,
    /// It cooks in batches: what its values are follows its program, not the start of the line.
    pub(in crate::web) cooks: bool,
}

/// A check or sample that is due.
#[derive(Debug, Clone)]
pub(in crate::web) struct Due {
    pub(in crate::web) tag: String,
    pub(in crate::web) name: String,
    pub(in crate::web) station: StationId,
    pub(in crate::web) since: UtcMillis,
    pub(in crate::web) is_late: bool,
}

/// What the soak has ready.
#[derive(Debug, Clone, Default, PartialEq)]
pub(in crate::web) struct Soak {
    /// Names of tanks that may be fed, or feed.
    pub(in crate::web) ready: Vec<String>,
    /// Tanks with corn that is too old.
    pub(in crate::web) too_old: Vec<String>,
    /// The next one, and when.
    pub(in crate::web) next: Option<(String, UtcMillis)>,
}

/// Why the line is not ready.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::web) struct Reason {
    /// In words: "Fryer oil inlet 12.3 K below, about 9 min".
    pub(in crate::web) text: String,
    /// Where more is said.
    pub(in crate::web) link: String,
    /// Its station's key, if it is one's.
    pub(in crate::web) station: Option<String>,
    /// How long it may take, s; `None`: it is not a matter of waiting, or nobody knows.
    pub(in crate::web) about_s: Option<f64>,
}

/// The whole board.
pub(in crate::web) struct Board<'a> {
    pub(in crate::web) stations: Vec<StationBoard<'a>>,
    pub(in crate::web) due: Vec<Due>,
    /// `None`: the line has no tanks.
    pub(in crate::web) soak: Option<Soak>,
    pub(in crate::web) reasons: Vec<Reason>,
}

impl<'a> Board<'a> {
    /// As things stand; held against `recipe`, or against what each station runs.
    pub(in crate::web) fn of(scene: &Scene<'a>, recipe: Option<&'a Recipe>) -> Self {
        let stations: Vec<StationBoard<'a>> =
            scene.stations().map(|facts| StationBoard::of(scene, facts, recipe)).collect();
        let (due, soak) = (due(scene), soak(scene));
        let mut reasons: Vec<Reason> = stations.iter().flat_map(StationBoard::reasons).collect();
        // A controller that feeds several stations is one trouble.
        let mut seen = Vec::new();
        reasons.retain(|reason| {
            let is_new = !seen.contains(&reason.text);
            seen.push(reason.text.clone());
            is_new
        });
        reasons.extend(soak.iter().filter_map(|soak| soak.reason(scene)));
        reasons.extend(due.iter().map(|due| Reason {
            text: format!("{} due since {}", due.name, scene.clock(due.since)),
            link: format!("/entries/{}", due.tag),
            station: None,
            about_s: None,
        }));
        Self { stations, due, soak, reasons }
    }

    /// "Not ready: Fryer oil inlet 12.3 K below, about 9 min; ...", or that nothing is in the way.
    pub(in crate::web) fn sentence(&self) -> String {
        if self.reasons.is_empty() {
            return "Nothing that Setward sees is in the way.".to_owned();
        }
        let first: Vec<&str> =
            self.reasons.iter().take(IN_SENTENCE).map(|reason| reason.text.as_str()).collect();
        let more = self.reasons.len().saturating_sub(IN_SENTENCE);
        let more = if more > 0 { format!("; and {more} more below") } else { String::new() };
        format!("Not ready: {}{more}.", first.join("; "))
    }

    /// How long at the present pace, if that is all there is to wait for.
    pub(in crate::web) fn wait(&self) -> Option<String> {
        let all: Option<Vec<f64>> = self.reasons.iter().map(|reason| reason.about_s).collect();
        let longest = all?.into_iter().reduce(f64::max)?;
        Some(format!("At the present pace that takes about {}.", minutes(longest)))
    }
}

impl<'a> StationBoard<'a> {
    fn of(scene: &Scene<'a>, facts: StationFacts<'a>, recipe: Option<&'a Recipe>) -> Self {
        let recipe = recipe.unwrap_or_else(|| scene.recipe_at(facts.id));
        let here = |id| scene.line.signal(id).station == facts.id;
        let manual = scene.manual_loops().filter(|control| here(control.measured));
        let fed_by = |controller: &ControllerFacts<'_>| {
            scene.line.signals.iter().any(|signal| {
                signal.station == facts.id
                    && signal.register().is_some_and(|own| own.controller == controller.id)
            })
        };
        let settles = scene.alarms().filter(|alarm| alarm.station == Some(facts.id));
        Self {
            recipe,
            held: held_at(scene, recipe, facts.id),
            turned: turned(scene, recipe, facts.id),
            manual: manual.map(|control| control.tag.as_str()).collect(),
            lost: scene.controllers().filter(|one| one.is_silent() && fed_by(one)).collect(),
            settles_until: settles
                .filter_map(|alarm| match alarm.silence {
                    Some(Silence::Settling(until)) => until,
                    Some(
                        Silence::OutOfService(_)
                        | Silence::NoCommunication(_)
                        | Silence::Mode(..)
                        | Silence::Condition(_)
                        | Silence::BadMeasurement(_)
                        | Silence::HiddenBy(_)
                        | Silence::Shelved(..),
                    )
                    | None => None,
                })
                .max(),
            due: due(scene).into_iter().filter(|due| due.station == facts.id).collect(),
            cooks: scene.line.kettles.iter().any(|kettle| kettle.station == facts.id),
            facts,
        }
    }

    /// What its mode says, where that keeps it from starting.
    pub(in crate::web) fn mode_words(&self) -> Option<&'static str> {
        let holds_heat = self
            .held
            .iter()
            .any(|held| held.facts.signal.unit.dimension() == setward_protocol::Dimension::Temperature);
        match self.facts.mode()? {
            Mode::Cleaning => Some("cleaning: boil-out or wash under way"),
            Mode::Hold => Some("set back: hot, without product"),
            Mode::Stopped if holds_heat && !self.cooks => Some("stopped: its heat is off"),
            Mode::Stopped | Mode::HeatUp | Mode::Run | Mode::Gap | Mode::Changeover | Mode::RunOut => None,
        }
    }

    /// Whether nothing is in its way, nor anything to be entered first.
    pub(in crate::web) fn is_ready(&self) -> bool {
        self.reasons().is_empty() && self.due.is_empty()
    }

    /// Why it is not ready, besides what is to be entered.
    pub(in crate::web) fn reasons(&self) -> Vec<Reason> {
        let key = &self.facts.station.key;
        let reason = |text: String, link: String, about_s: Option<f64>| Reason {
            text,
            link,
            station: Some(key.clone()),
            about_s,
        };
        let station = || format!("/stations/{key}");
        let mut all: Vec<Reason> = Vec::new();
        for lost in &self.lost {
            all.push(reason(
                format!("no data from controller {}", lost.controller.name),
                "/".to_owned(),
                None,
            ));
        }
        if let Some(mode) = self.mode_words() {
            all.push(reason(format!("{} {mode}", self.facts.station.name), station(), None));
        }
        for tag in &self.manual {
            all.push(reason(format!("{tag} in manual"), station(), None));
        }
        if self.cooks {
            return all;
        }
        for turned in &self.turned {
            let (now, recipe) = (
                turned.facts.show_with_unit(turned.value),
                turned.facts.show_with_unit(turned.against.recipe),
            );
            let text = format!("{} at {now}, recipe {recipe}", turned.facts.signal.name);
            all.push(reason(text, format!("/signals/{}", turned.facts.signal.tag), None));
        }
        // What a whole controller lacks is told once.
        let counts = |held: &&Held<'_>| {
            held.is_in_the_way() && (self.lost.is_empty() || !matches!(held.place, Place::NoValue(_)))
        };
        for held in self.held.iter().filter(counts) {
            let about_s = match held.place {
                Place::Below(_, Eta::About(seconds)) | Place::Above(_, Eta::About(seconds)) => Some(seconds),
                Place::Below(_, Eta::Long | Eta::Away | Eta::NotKnown)
                | Place::Above(_, Eta::Long | Eta::Away | Eta::NotKnown)
                | Place::Within
                | Place::NoValue(_) => None,
            };
            let text = format!("{} {}", held.facts.signal.name, held.short());
            all.push(reason(text, format!("/signals/{}", held.facts.signal.tag), about_s));
        }
        all
    }
}

/// Entered setpoints of a station that lie beyond what the recipe lets people turn.
fn turned<'a>(scene: &Scene<'a>, recipe: &'a Recipe, station: StationId) -> Vec<Turned<'a>> {
    let entered = recipe.setpoints.iter().filter_map(|asked| {
        let facts = scene.signal(asked.entered?);
        let against = Entered::of(asked, scene.line.signal(asked.signal).unit, facts.signal.unit)?;
        let value = facts.view.reading.value()?;
        let is_turned = facts.signal.station == station && against.is_beyond(value);
        is_turned.then_some(Turned { facts, against, value })
    });
    let mut all: Vec<Turned<'a>> = Vec::new();
    for turned in entered {
        if !all.iter().any(|other| other.facts.id == turned.facts.id) {
            all.push(turned);
        }
    }
    all
}

/// What people are to enter now.
fn due(scene: &Scene<'_>) -> Vec<Due> {
    let all = scene.line.entries.iter().zip(scene.snapshot.entries.iter());
    all.filter_map(|(entry, view)| {
        let (since, is_late) = match view.due {
            DueView::Since(at) => (at, false),
            DueView::Overdue(at) => (at, true),
            DueView::NotAsked | DueView::At(_) => return None,
        };
        let signal = scene.line.signal(entry.signal);
        let (tag, name, station) = (signal.tag.clone(), signal.name.clone(), signal.station);
        Some(Due { tag, name, station, since, is_late })
    })
    .collect()
}

fn soak(scene: &Scene<'_>) -> Option<Soak> {
    if scene.line.tanks.is_empty() {
        return None;
    }
    let mut soak = Soak::default();
    for view in &scene.snapshot.following.tanks {
        let Some(tank) = scene.line.tanks.get(view.tank) else { continue };
        match view.row.state {
            TankState::Ready | TankState::Feeding => soak.ready.push(tank.name.clone()),
            TankState::OverAge => soak.too_old.push(tank.name.clone()),
            TankState::Soaking => {
                let sooner = |at: &UtcMillis| soak.next.as_ref().is_none_or(|(_, next)| at < next);
                if let Some(at) = view.ready_at.filter(sooner) {
                    soak.next = Some((tank.name.clone(), at));
                }
            }
            TankState::Empty | TankState::Filling => {}
        }
    }
    Some(soak)
}

impl Soak {
    fn reason(&self, scene: &Scene<'_>) -> Option<Reason> {
        if !self.ready.is_empty() {
            return None;
        }
        let (text, about_s) = match &self.next {
            Some((name, at)) => {
                let seconds = crate::web::times::seconds_between(scene.now, *at);
                (format!("no tank is ready; {name} is at {}", scene.clock(*at)), Some(seconds))
            }
            None => ("no tank is known to be ready".to_owned(), None),
        };
        Some(Reason { text, link: "/tanks".to_owned(), station: None, about_s })
    }

    /// In words.
    pub(in crate::web) fn words(&self, scene: &Scene<'_>) -> String {
        let ready = match self.ready.len() {
            0 => "none is known to be ready".to_owned(),
            count => format!("{} ready: {}", words::counted(count, "tank"), self.ready.join(", ")),
        };
        let next = self.next.as_ref().map(|(name, at)| format!("; next {name} at {}", scene.clock(*at)));
        let old = if self.too_old.is_empty() {
            String::new()
        } else {
            format!("; too old: {}", self.too_old.join(", "))
        };
        format!("{ready}{}{old}", next.unwrap_or_default())
    }
}
