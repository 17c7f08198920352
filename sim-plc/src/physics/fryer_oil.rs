//! The fryer's oil as a stock and a stream: level and make-up, pump and filter.

use super::StepTime;

/// Oil that product takes along at full feed, kg/s. Trade figure: 240 kg/h.
const PICK_UP_KG_PER_S: f64 = 240.0 / 3600.0;
/// Surface of the oil, m2, and its density, kg/m3. Illustrative; trade figure at 180 degC.
const SURFACE_M2: f64 = 4.0;
const OIL_KG_PER_M3: f64 = 850.0;
/// Make-up for each mm below the working level, beside what the product takes, kg/s. Illustrative.
const MAKE_UP_KG_PER_S_MM: f64 = 0.02;
/// Most that the make-up valve passes, kg/s. Illustrative.
const MOST_MAKE_UP_KG_PER_S: f64 = 0.5;
/// The switch of its own trips here, mm. Illustrative, below the alarm of the demo line at -25.
const LOW_LOW_MM: f64 = -60.0;
/// The brim of the pan, mm: what comes beyond it runs off. Illustrative.
const BRIM_MM: f64 = 120.0;
/// The floor of the pan, mm.
const EMPTY_MM: f64 = -100.0;
/// The clean filter's part of all that the pump works against. Illustrative: in the demo week a filter at 0.8 bar
/// instead of 0.32 leaves 42 of 46 m3/h, one at 1.4 leaves 37.5.
const FILTER_PART: f64 = 0.1;

/// What the make-up valve does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MakeUp {
    /// It follows the level, by its float.
    AtWork,
    /// No oil comes.
    Closed,
    /// Its float hangs at this level about the working level, mm, whatever the oil does.
    FloatAt(f64),
}

/// Level and make-up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OilStock {
    level_mm: f64,
    made_up_kg: f64,
}

impl OilStock {
    /// At the working level, with a total of `made_up_kg` let in since ever.
    #[must_use]
    pub const fn new(made_up_kg: f64) -> Self {
        Self { level_mm: 0.0, made_up_kg }
    }

    /// Level about the working level, mm.
    #[must_use]
    pub const fn level_mm(&self) -> f64 {
        self.level_mm
    }

    /// Fresh oil let in since ever, kg.
    #[must_use]
    pub const fn made_up_kg(&self) -> f64 {
        self.made_up_kg
    }

    /// Whether the switch at the lowest level has tripped.
    #[must_use]
    pub fn low_low(&self) -> bool {
        self.level_mm <= LOW_LOW_MM
    }

    /// The stock after `step`, with this share of full feed, oil lost besides, and what the make-up valve does.
    pub fn step(&mut self, step: StepTime, feed_share: f64, lost_kg_per_s: f64, make_up: MakeUp) {
        let taken_kg_per_s = PICK_UP_KG_PER_S * feed_share + lost_kg_per_s;
        let asked_at = |level_mm: f64| {
            (PICK_UP_KG_PER_S * feed_share - MAKE_UP_KG_PER_S_MM * level_mm).clamp(0.0, MOST_MAKE_UP_KG_PER_S)
        };
        let given_kg_per_s = match make_up {
            MakeUp::AtWork => asked_at(self.level_mm),
            MakeUp::Closed => 0.0,
            MakeUp::FloatAt(level_mm) => asked_at(level_mm),
        };
        let gained_kg = (given_kg_per_s - taken_kg_per_s) * step.seconds();
        self.made_up_kg += given_kg_per_s * step.seconds();
        let level_mm = self.level_mm + 1000.0 * gained_kg / OIL_KG_PER_M3 / SURFACE_M2;
        self.level_mm = level_mm.clamp(EMPTY_MM, BRIM_MM);
    }
}

/// The share of its usual flow that the pump gives through a filter with `resistance` times that of a clean one.
#[must_use]
pub fn flow_share(resistance: f64) -> f64 {
    libm::sqrt((1.0 + FILTER_PART) / (1.0 + FILTER_PART * resistance.max(0.0)))
}

/// The filter's pressure difference as a share of the usual, at `flow_share` of the usual flow.
#[must_use]
pub fn filter_share(resistance: f64, flow_share: f64) -> f64 {
    resistance.max(0.0) * flow_share * flow_share
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pass(stock: &mut OilStock, seconds: usize, feed_share: f64, make_up: MakeUp) {
        let step = StepTime::new(1.0).unwrap();
        for _ in 0..seconds {
            stock.step(step, feed_share, 0.0, make_up);
        }
    }

    #[test]
    fn an_hour_at_full_feed_makes_up_what_the_product_takes() {
        let mut stock = OilStock::new(1000.0);
        pass(&mut stock, 3600, 1.0, MakeUp::AtWork);
        assert!((stock.made_up_kg() - 1240.0).abs() < 1.0, "{}", stock.made_up_kg());
        assert!(stock.level_mm().abs() < 0.1);
    }

    /// 240 kg/h from 4 m2 of 850 kg/m3 are 71 mm an hour.
    #[test]
    fn without_make_up_the_level_sinks_until_the_switch_trips_and_comes_back() {
        let mut stock = OilStock::new(0.0);
        pass(&mut stock, 1800, 1.0, MakeUp::Closed);
        assert!((stock.level_mm() + 35.3).abs() < 0.5, "{}", stock.level_mm());
        pass(&mut stock, 1800, 1.0, MakeUp::Closed);
        assert!(stock.low_low() && stock.made_up_kg() == 0.0);
        pass(&mut stock, 3600, 1.0, MakeUp::AtWork);
        assert!(stock.level_mm().abs() < 1.0 && !stock.low_low());
    }

    /// A float at 5 mm asks for 0.067 - 0.02 x 5 kg/s, which is none: as without make-up. At -10 mm it asks for 0.2 kg/s more than
    /// is taken, 3.5 mm a minute, up to the brim.
    #[test]
    fn a_float_that_hangs_high_starves_the_pan_and_one_that_hangs_low_fills_it_to_the_brim() {
        let mut stock = OilStock::new(0.0);
        pass(&mut stock, 1800, 1.0, MakeUp::FloatAt(5.0));
        assert!((stock.level_mm() + 35.3).abs() < 0.5 && stock.made_up_kg() == 0.0, "{}", stock.level_mm());
        let mut stock = OilStock::new(0.0);
        pass(&mut stock, 600, 1.0, MakeUp::FloatAt(-10.0));
        assert!((stock.level_mm() - 35.3).abs() < 0.5, "{}", stock.level_mm());
        pass(&mut stock, 3600, 1.0, MakeUp::FloatAt(-10.0));
        assert_eq!(stock.level_mm(), BRIM_MM);
    }

    /// Demo week: flow 46 to 37.5 m3/h, pressure difference beyond 0.8 bar before that.
    #[test]
    fn a_blocking_filter_takes_flow_and_raises_its_pressure() {
        assert_eq!((flow_share(1.0), filter_share(1.0, 1.0)), (1.0, 1.0));
        let (some, much) = (flow_share(3.0), flow_share(6.56));
        assert!((46.0 * some - 42.3).abs() < 0.2 && (0.32 * filter_share(3.0, some) - 0.81).abs() < 0.02);
        assert!((46.0 * much - 37.5).abs() < 0.2);
    }
}
