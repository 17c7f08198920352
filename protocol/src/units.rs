//! The units a signal, a setting or a recipe can have, and how they convert.
//!
//! A signal keeps the unit its register has. Settings are converted to the signal's unit once, when the files are
//! read, so the engine never converts. A temperature and a difference of temperatures are different dimensions:
//! "3 K" is never 3 degC, and 3 degF of tolerance is 1.667 K, not -16.1 degC.

use core::fmt;

/// What kind of quantity a unit measures. Only units of one dimension convert into each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// A point on a temperature scale.
    Temperature,
    /// A difference of two temperatures.
    TemperatureDifference,
    /// A difference of pressures.
    Pressure,
    /// Pressure above the atmosphere.
    GaugePressure,
    /// Mass.
    Mass,
    /// Mass per time.
    MassFlow,
    /// Volume.
    Volume,
    /// Volume per time.
    VolumeFlow,
    /// Length.
    Length,
    /// Length per time.
    Speed,
    /// Time.
    Time,
    /// Electric current.
    Current,
    /// Heat per time.
    Power,
    /// Heat per time and kelvin.
    HeatTransfer,
    /// Mass per volume.
    Density,
    /// Heat per mass and kelvin.
    HeatCapacity,
    /// A share in percent.
    Share,
    /// A plain number: a count, a step, a code.
    Number,
    /// A single bit.
    Bit,
}

macro_rules! units {
    ($($name:ident $symbol:literal $display:literal $dimension:ident $factor:literal + $offset:literal, $doc:literal;)*) => {
        /// A unit. `base = value * factor + offset`; bases are degC, K, Pa, kg, kg/s, m3, m3/s, m, m/s, s, A, kW, kW/K, kg/m3,
        /// kJ/(kg K), %, 1.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Unit { $(#[doc = $doc] $name,)* }

        impl Unit {
            /// Every unit, in the order of this file.
            pub const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// How a file spells the unit. A difference in degrees Fahrenheit is spelt like the point, "degF": the key
            /// says which is meant.
            #[must_use]
            pub const fn symbol(self) -> &'static str {
                match self { $(Self::$name => $symbol,)* }
            }

            /// How a page shows the unit.
            #[must_use]
            pub const fn display(self) -> &'static str {
                match self { $(Self::$name => $display,)* }
            }

            /// What the unit measures.
            #[must_use]
            pub const fn dimension(self) -> Dimension {
                match self { $(Self::$name => Dimension::$dimension,)* }
            }

            const fn factor_and_offset(self) -> (f64, f64) {
                match self { $(Self::$name => ($factor, $offset),)* }
            }
        }
    };
}

units! {
    DegC "degC" "°C" Temperature 1.0 + 0.0, "Degree Celsius, a point on the scale.";
    DegF "degF" "°F" Temperature 0.555_555_555_555_555_6 + -17.777_777_777_777_78, "Degree Fahrenheit, a point on the scale.";
    Kelvin "K" "K" TemperatureDifference 1.0 + 0.0, "Kelvin, a difference.";
    DegFDifference "degF" "°F" TemperatureDifference 0.555_555_555_555_555_6 + 0.0, "Degree Fahrenheit, a difference.";
    Pascal "Pa" "Pa" Pressure 1.0 + 0.0, "Pascal, a difference of pressures.";
    Kilopascal "kPa" "kPa" Pressure 1e3 + 0.0, "Kilopascal, a difference of pressures.";
    Bar "bar" "bar" Pressure 1e5 + 0.0, "Bar, a difference of pressures.";
    Psi "psi" "psi" Pressure 6_894.757_293_168 + 0.0, "Pound-force per square inch, a difference of pressures.";
    InchOfWater "inH2O" "inH₂O" Pressure 249.088_91 + 0.0, "Inch of water at 4 degC, a difference of pressures.";
    BarGauge "bar(g)" "bar(g)" GaugePressure 1e5 + 0.0, "Bar above the atmosphere.";
    KilopascalGauge "kPa(g)" "kPa(g)" GaugePressure 1e3 + 0.0, "Kilopascal above the atmosphere.";
    PsiGauge "psi(g)" "psi(g)" GaugePressure 6_894.757_293_168 + 0.0, "Pound-force per square inch above the atmosphere.";
    Kilogram "kg" "kg" Mass 1.0 + 0.0, "Kilogram.";
    Gram "g" "g" Mass 1e-3 + 0.0, "Gram.";
    Pound "lb" "lb" Mass 0.453_592_37 + 0.0, "Pound, avoirdupois.";
    KilogramPerHour "kg/h" "kg/h" MassFlow 0.000_277_777_777_777_777_8 + 0.0, "Kilogram per hour.";
    PoundPerHour "lb/h" "lb/h" MassFlow 0.000_125_997_880_555_555_56 + 0.0, "Pound per hour.";
    Litre "L" "L" Volume 1e-3 + 0.0, "Litre.";
    CubicMetre "m3" "m³" Volume 1.0 + 0.0, "Cubic metre.";
    Gallon "gal" "gal" Volume 0.003_785_411_784 + 0.0, "US liquid gallon.";
    LitrePerMinute "L/min" "L/min" VolumeFlow 1.666_666_666_666_666_7e-5 + 0.0, "Litre per minute.";
    CubicMetrePerHour "m3/h" "m³/h" VolumeFlow 0.000_277_777_777_777_777_8 + 0.0, "Cubic metre per hour.";
    GallonPerMinute "gal/min" "gal/min" VolumeFlow 6.309_019_64e-5 + 0.0, "US liquid gallon per minute.";
    Metre "m" "m" Length 1.0 + 0.0, "Metre.";
    Millimetre "mm" "mm" Length 1e-3 + 0.0, "Millimetre.";
    Foot "ft" "ft" Length 0.3048 + 0.0, "Foot.";
    Inch "in" "in" Length 0.0254 + 0.0, "Inch.";
    MetrePerSecond "m/s" "m/s" Speed 1.0 + 0.0, "Metre per second.";
    MetrePerMinute "m/min" "m/min" Speed 0.016_666_666_666_666_666 + 0.0, "Metre per minute.";
    FootPerMinute "ft/min" "ft/min" Speed 0.00508 + 0.0, "Foot per minute.";
    Millisecond "ms" "ms" Time 1e-3 + 0.0, "Millisecond.";
    Second "s" "s" Time 1.0 + 0.0, "Second.";
    Minute "min" "min" Time 60.0 + 0.0, "Minute.";
    Hour "h" "h" Time 3600.0 + 0.0, "Hour.";
    Day "d" "d" Time 86_400.0 + 0.0, "Day of 24 hours.";
    Ampere "A" "A" Current 1.0 + 0.0, "Ampere.";
    Kilowatt "kW" "kW" Power 1.0 + 0.0, "Kilowatt.";
    KilowattPerKelvin "kW/K" "kW/K" HeatTransfer 1.0 + 0.0, "Kilowatt per kelvin.";
    KilogramPerCubicMetre "kg/m3" "kg/m³" Density 1.0 + 0.0, "Kilogram per cubic metre.";
    KilojoulePerKilogramKelvin "kJ/(kg.K)" "kJ/(kg·K)" HeatCapacity 1.0 + 0.0, "Kilojoule per kilogram and kelvin.";
    Percent "%" "%" Share 1.0 + 0.0, "Percent.";
    One "1" "" Number 1.0 + 0.0, "A plain number: a count, a step, a code.";
    Bit "bit" "" Bit 1.0 + 0.0, "A single bit, 0 or 1.";
}

impl Unit {
    /// The unit a file means by `symbol` for a quantity of `dimension`, if there is one.
    #[must_use]
    pub fn from_symbol(symbol: &str, dimension: Dimension) -> Option<Self> {
        Self::ALL.iter().copied().find(|unit| unit.symbol() == symbol && unit.dimension() == dimension)
    }

    /// The first unit spelt `symbol`, whatever it measures. For signals: "degF" is then the point.
    #[must_use]
    pub fn from_signal_symbol(symbol: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|unit| unit.symbol() == symbol)
    }

    /// The unit of a difference between two values in this unit: K for degC, "degF" the difference for degF, else
    /// the unit itself.
    #[must_use]
    pub const fn of_difference(self) -> Self {
        if matches!(self, Self::DegC) {
            Self::Kelvin
        } else if matches!(self, Self::DegF) {
            Self::DegFDifference
        } else {
            self
        }
    }

    /// `value` of this unit expressed in `to`; `None` if the two measure different things.
    ///
    /// Converting a unit into itself returns the value untouched.
    #[must_use]
    pub fn convert(self, value: f64, to: Self) -> Option<f64> {
        if self == to {
            return Some(value);
        }
        if self.dimension() != to.dimension() {
            return None;
        }
        let (factor, offset) = self.factor_and_offset();
        let (to_factor, to_offset) = to.factor_and_offset();
        Some((value * factor + offset - to_offset) / to_factor)
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(value: f64, from: Unit, to: Unit, expected: f64) {
        let found = from.convert(value, to).unwrap();
        assert!(
            libm::fabs(found - expected) <= 1e-9 * libm::fabs(expected).max(1.0),
            "{value} {from} is {found} {to}, expected {expected}"
        );
    }

    /// Factors by definition: international foot, avoirdupois pound, US liquid gallon; 32 degF at 0 degC.
    #[test]
    fn trade_units_convert_by_their_definitions() {
        check(186.0, Unit::DegC, Unit::DegF, 366.8);
        check(635.0, Unit::DegF, Unit::DegC, 335.0);
        check(15.0, Unit::DegFDifference, Unit::Kelvin, 8.333_333_333_333);
        check(147.6, Unit::FootPerMinute, Unit::MetrePerSecond, 0.749_808);
        check(3.6, Unit::MetrePerMinute, Unit::MetrePerSecond, 0.06);
        check(1.0, Unit::Pound, Unit::Gram, 453.592_37);
        check(1.0, Unit::GallonPerMinute, Unit::LitrePerMinute, 3.785_411_784);
        check(100.0, Unit::PoundPerHour, Unit::KilogramPerHour, 45.359_237);
        check(6.1, Unit::InchOfWater, Unit::Pascal, 1_519.442_351);
    }

    /// Through kelvin and back, 0.1 would not come back as itself.
    #[test]
    fn a_unit_converts_into_itself_to_the_last_bit() {
        for unit in Unit::ALL {
            assert_eq!(unit.convert(0.1, *unit).map(f64::to_bits), Some(0.1_f64.to_bits()), "{unit}");
        }
    }

    #[test]
    fn a_point_never_becomes_a_difference() {
        assert_eq!(Unit::DegF.convert(15.0, Unit::Kelvin), None);
        assert_eq!(Unit::Bar.convert(1.0, Unit::BarGauge), None);
        assert_eq!(Unit::DegF.of_difference(), Unit::DegFDifference);
        assert_eq!(Unit::CubicMetrePerHour.of_difference(), Unit::CubicMetrePerHour);
    }

    #[test]
    fn every_unit_is_found_by_its_symbol_and_dimension() {
        for &unit in Unit::ALL {
            assert_eq!(Unit::from_symbol(unit.symbol(), unit.dimension()), Some(unit));
        }
        assert_eq!(Unit::from_signal_symbol("degF"), Some(Unit::DegF));
    }
}
