//! What follows the line rather than leading it: wash, mill, sheeter, cooling, seasoning, packing.

use super::belts::Belts;
use super::crew::Crew;
use super::panel::Panel;
use crate::fault::FaultKind;
use crate::physics::StepTime;

/// The mill without feed draws this share of its usual current. Demo line: 28 of 72 A.
const IDLING_MILL: f64 = 0.39;
/// How fast masa and cooled product follow what makes them warm, s. Illustrative.
const MASA_TAU_S: f64 = 600.0;
const COOLED_TAU_S: f64 = 60.0;
/// Bags of one of two baggers at full feed, 1/s. Illustrative: 1,000 kg/h in bags of 200 g.
const BAGS_PER_S: f64 = 0.69;

/// The floor around the heat and belt steps. Shares are of the usual value in run.
#[derive(Debug, Clone)]
pub(super) struct Floor {
    cutter: bool,
    lined_up: bool,
    belts_run: bool,
    masa: f64,
    cooled: f64,
    weighed: f64,
    /// Usual share of seasoning in the product, %, and what it is set to as a share of that.
    usual_percent: f64,
    seasoning: f64,
    bags: f64,
    packing_stopped: bool,
}

impl Floor {
    pub(super) const fn running(usual_percent: f64) -> Self {
        Self {
            usual_percent,
            seasoning: 1.0,
            cutter: true,
            lined_up: true,
            belts_run: true,
            masa: 1.0,
            cooled: 1.0,
            weighed: 1.0,
            bags: 0.0,
            packing_stopped: false,
        }
    }

    pub(super) const fn cutter(&self) -> bool {
        self.cutter
    }

    pub(super) const fn belts_run(&self) -> bool {
        self.belts_run
    }

    pub(super) const fn washing(&self) -> bool {
        self.lined_up
    }

    pub(super) const fn mill(&self) -> f64 {
        match (self.cutter, self.belts_run) {
            (true, _) => 1.0,
            (false, true) => IDLING_MILL,
            (false, false) => 0.0,
        }
    }

    pub(super) const fn masa(&self) -> f64 {
        self.masa
    }

    pub(super) const fn cooled(&self) -> f64 {
        self.cooled
    }

    pub(super) const fn weighed(&self) -> f64 {
        self.weighed
    }

    pub(super) const fn seasoned(&self) -> f64 {
        self.weighed * self.seasoning
    }

    pub(super) const fn bags(&self) -> f64 {
        self.bags
    }

    pub(super) const fn packing_stopped(&self) -> bool {
        self.packing_stopped
    }

    /// The floor after `step`.
    pub(super) fn step(
        &mut self,
        step: StepTime,
        crew: &Crew,
        belts: &Belts,
        cutter: bool,
        panel: &Panel<'_>,
    ) {
        let baggers_stopped = panel.line_has(FaultKind::BaggersStopped);
        let set = panel.of_line(FaultKind::SeasoningSet);
        self.seasoning = set.map_or(1.0, |percent| percent / self.usual_percent);
        (self.cutter, self.lined_up, self.belts_run) = (cutter, crew.lined_up(), crew.belts_run());
        let milling = if cutter { 1.0 } else { 0.0 };
        self.masa += (milling - self.masa) * step.share(MASA_TAU_S);
        self.cooled += (belts.cooled() - self.cooled) * step.share(COOLED_TAU_S);
        self.weighed = belts.weighed();
        self.packing_stopped = baggers_stopped || (!crew.lined_up() && belts.packed() <= 0.0);
        if !self.packing_stopped {
            // The count is the first bagger's. It is faster than its half asks: with the other one standing it packs all.
            let share = panel.of_line(FaultKind::BaggerStopped).map_or(1.0, |which| 2.0 * (which - 1.0));
            self.bags += share * BAGS_PER_S * belts.packed() * step.seconds();
        }
    }
}
