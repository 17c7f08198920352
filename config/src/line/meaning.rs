//! What a signal can be, beyond its tag: the closed list by which the simulator and computations know it.
//!
//! Where there are several of one kind, the first of one meaning belongs with the first of another, in the order of the
//! line file: the second `oven-flame` is the flame of the second `oven-temperature`.

macro_rules! meanings {
    ($($name:ident $word:literal $doc:literal;)*) => {
        /// Closed list of what a signal can be, beyond its tag.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Meaning { $(#[doc = $doc] $name,)* }

        impl Meaning {
            /// Every meaning with its word in the files.
            pub const NAMED: &'static [(&'static str, Self)] = &[$(($word, Self::$name),)*];
        }
    };
}

meanings! {
    KettleTemperature "kettle-temperature" "Kettle cook temperature.";
    KettleBottomTemperature "kettle-bottom-temperature" "Kettle temperature near the bottom: shows that the agitator mixes.";
    KettleSetpoint "kettle-setpoint" "Kettle setpoint as entered.";
    KettleSteamValve "kettle-steam-valve" "Kettle steam valve position.";
    KettleJacketPressure "kettle-jacket-pressure" "Steam pressure in the kettle's jacket.";
    KettleWeight "kettle-weight" "Weight of what is in the kettle.";
    KettleAgitator "kettle-agitator" "Kettle agitator running.";
    KettleAgitatorCurrent "kettle-agitator-current" "Current of the agitator's motor.";
    KettleWaterTotal "kettle-water-total" "Water let into the batch; starts again at each fill.";
    KettleStep "kettle-step" "Step of the cook: 0 idle, 1 fill, 2 dose, 3 heat, 4 hold, 5 quench, 6 pump-out, 7 rinse.";
    KettleHoldTime "kettle-hold-time" "Hold time that the controller has counted for the batch.";
    KettleBatchNumber "kettle-batch-number" "Number of the batch.";
    KettleDischargeClosed "kettle-discharge-closed" "Kettle discharge valve closed.";
    SteamHeaderPressure "steam-header-pressure" "Steam pressure in front of all kettles.";
    QuenchWaterFlow "quench-water-flow" "Flow of the water that ends the cook.";
    QuenchWaterTemperature "quench-water-temperature" "Temperature of that water.";
    CookRecipeNumber "cook-recipe-number" "Recipe number in the cook house's controller.";
    SoakTankTemperature "soak-tank-temperature" "Soak tank temperature.";
    SoakTankState "soak-tank-state" "Soak tank state: 0 empty, 1 filling, 2 soaking, 3 ready, 4 emptying, 5 rinse, 6 out of use.";
    SoakTankFeeding "soak-tank-feeding" "Number of the soak tank that feeds the line; 0 is none.";
    WashWaterFlow "wash-water-flow" "Spray water of the wash drum.";
    MillCurrent "mill-current" "Current of the mill's motor.";
    MillWaterFlow "mill-water-flow" "Water let into the mill.";
    MasaTemperature "masa-temperature" "Temperature of the masa out of the mill.";
    SheeterSpeed "sheeter-speed" "Speed of the sheeter's rolls.";
    CutterRunning "cutter-running" "Sheeter cutter running: starts and stops the feed of the whole line.";
    OvenTemperature "oven-temperature" "Oven zone temperature.";
    OvenSetpoint "oven-setpoint" "Oven zone setpoint as entered.";
    OvenBurner "oven-burner" "Oven zone burner output.";
    OvenMode "oven-mode" "Oven zone loop mode: 0 manual, 1 automatic, 2 off.";
    OvenFlame "oven-flame" "Oven zone flame proven.";
    OvenGasPressure "oven-gas-pressure" "Gas pressure at a burner.";
    OvenBeltSpeed "oven-belt-speed" "Oven belt speed, one a pass.";
    OvenDwellSetpoint "oven-dwell-setpoint" "Bake time setpoint.";
    OvenBeltTemperature "oven-belt-temperature" "Surface temperature of an oven belt.";
    OvenExhaust "oven-exhaust" "Airflow of the oven's exhaust fan proven.";
    OvenHighLimit "oven-high-limit" "High limit of the oven tripped.";
    EquilibratorBeltSpeed "equilibrator-belt-speed" "Belt speed between oven and fryer.";
    FeedMoisture "feed-moisture" "Moisture of what enters the fryer.";
    FeedPresent "feed-present" "Product in front of the fryer, as a photo-eye sees it.";
    FryerOilInlet "fryer-oil-inlet" "Oil temperature where product enters.";
    FryerOilInletSecond "fryer-oil-inlet-second" "The same, a second probe.";
    FryerOilMid "fryer-oil-mid" "Oil temperature half-way.";
    FryerOilOutlet "fryer-oil-outlet" "Oil temperature where product leaves.";
    FryerSetpoint "fryer-setpoint" "Oil setpoint as entered.";
    FryerWorkingSetpoint "fryer-working-setpoint" "Oil setpoint in force, ramped at heat-up.";
    FryerHeatDemand "fryer-heat-demand" "Fryer heat demand.";
    FryerMode "fryer-mode" "Fryer loop mode: 0 off, 1 manual, 2 automatic, 3 hold temperature.";
    HeatExchangerOilOutlet "heat-exchanger-oil-outlet" "Oil temperature behind the heat exchanger.";
    HeatExchangerSetpoint "heat-exchanger-setpoint" "Its setpoint, given by the fryer's loop.";
    HeatingMediumTemperature "heating-medium-temperature" "Supply temperature of the heating medium.";
    FryerOilFlow "fryer-oil-flow" "Oil circulation flow.";
    FryerOilFlowProven "fryer-oil-flow-proven" "Oil flow proven by the interlock's switch.";
    FryerOilLevel "fryer-oil-level" "Oil level about the working level.";
    FryerOilLevelLowLow "fryer-oil-level-low-low" "Lowest oil level reached, by a switch of its own.";
    FryerMakeUpTotal "fryer-make-up-total" "Fresh oil let in, never reset.";
    FryerBeltSpeed "fryer-belt-speed" "Submerger belt speed.";
    FryerDwellSetpoint "fryer-dwell-setpoint" "Fry time setpoint.";
    FryerTakeOutSpeed "fryer-take-out-speed" "Speed of the belt that lifts product out of the oil.";
    FryerFilterPressure "fryer-filter-pressure" "Pressure difference over the oil filter.";
    FryerStackFan "fryer-stack-fan" "Fryer stack fan running.";
    FryerHighLimit "fryer-high-limit" "High limit of the fryer tripped.";
    FryerHoodDown "fryer-hood-down" "Fryer hood down.";
    FireSuppressionArmed "fire-suppression-armed" "Fire-suppression system armed.";
    FryerRecipeNumber "fryer-recipe-number" "Recipe number in the fryer's controller.";
    CooledProductTemperature "cooled-product-temperature" "Product temperature at the end of cooling.";
    ProductFlow "product-flow" "Product that passes the weigh belt in front of seasoning.";
    SeasoningFlow "seasoning-flow" "Seasoning that the screw gives.";
    BagsMade "bags-made" "Bags made.";
    PackingStopped "packing-stopped" "All baggers stopped.";
    MetalDetectorReady "metal-detector-ready" "Metal detector healthy and rejecting.";
    Heartbeat "heartbeat" "A word that counts up once a second while the controller's program runs.";
}
