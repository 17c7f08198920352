use super::*;

fn demo_sheets() -> (Line, LoopSheets) {
    let line = setward_config::load_demo().unwrap().line;
    let sheets = LoopSheets::new(&line, "2026-01-05T00:00:00Z".to_owned(), 0.5);
    (line, sheets)
}

fn sheet_of(sheets: &LoopSheets, tag: &str) -> SignalSheet {
    sheets.signals.iter().find(|sheet| sheet.tag == tag).unwrap().clone()
}

#[test]
fn every_signal_has_a_sheet_or_says_where_it_comes_from() {
    let (line, sheets) = demo_sheets();
    assert_eq!(sheets.signals.len() + sheets.without_injection.len(), line.signals.len());
    assert_eq!(sheets.alarms.len() + sheets.automatic_alarms.len(), line.alarms.len());
    assert!(sheets.without_injection.iter().any(|signal| signal.origin == "entered by a person"));
    assert!(sheets.without_injection.iter().any(|signal| signal.origin == "computed from other signals"));
    for sheet in &sheets.signals {
        assert!(sheet.points.len() >= 2, "{sheet:?}");
    }
}

/// TT-310: i16 in tenths, 0 to 250 degC, a Pt100. IEC 60751: 125 degC is 147.95 ohms (by hand).
#[test]
fn the_fryers_inlet_is_checked_at_five_points() {
    let (_, sheets) = demo_sheets();
    let sheet = sheet_of(&sheets, "TT-310");
    assert_eq!((sheet.table, sheet.address, sheet.number), ("holding", 100, 400_101));
    let middle = &sheet.points[2];
    assert_eq!((middle.percent, middle.expected), (Some(50.0), 125.0));
    assert_eq!((middle.raw.as_str(), middle.raw_hex.as_str()), ("1250", "04E2"));
    assert!((middle.tolerance - (0.005 * 250.0 + 0.05)).abs() < 1e-9, "{middle:?}");
    let inject = middle.inject.unwrap();
    assert_eq!(inject.unit, "ohm");
    assert!((inject.value - 147.951).abs() < 0.001, "{inject:?}");
    assert_eq!(sheet.wiring.sensor.as_deref().map(|text| text.contains("Pt100")), Some(true));
}

#[test]
fn what_a_register_reads_back_is_what_is_expected() {
    let (line, sheets) = demo_sheets();
    for sheet in &sheets.signals {
        let signal = line.signal(line.signal_by_tag(&sheet.tag).unwrap());
        let wire = &signal.register().unwrap().wire;
        for point in &sheet.points {
            let words: Vec<u16> =
                point.raw_hex.split(' ').map(|word| u16::from_str_radix(word, 16).unwrap()).collect();
            let read = wire.raw(&words).unwrap().as_f64() * wire.scale + wire.offset;
            assert_eq!(read, point.expected, "{} {point:?}", sheet.tag);
        }
    }
}

/// 240 K.s at 3 K of tolerance: one tolerance beyond it is reached after 80 s.
#[test]
fn a_time_weighted_alarm_says_where_to_hold_and_when_it_raises() {
    let (_, sheets) = demo_sheets();
    let cold = sheets.alarms.iter().find(|check| check.alarm == "fryer-inlet-cold").unwrap();
    assert!(cold.provoke.contains("hold TT-310 at 176 \u{b0}C"), "{}", cold.provoke);
    assert!((cold.expected_s.unwrap() - 80.0).abs() < 1e-9, "{cold:?}");
    assert!(!cold.operator_now.is_empty());
}

#[test]
fn every_alarm_says_how_to_bring_it_about() {
    let (_, sheets) = demo_sheets();
    for check in sheets.alarms.iter().chain(&sheets.automatic_alarms) {
        assert!(check.provoke.len() > 20 && !check.expected_words.is_empty(), "{check:?}");
    }
}

#[test]
fn the_page_has_cautions_fingerprint_and_a_block_for_each() {
    let (line, sheets) = demo_sheets();
    let page = sheets.html();
    assert!(
        page.contains(&line.fingerprint) && page.contains("Read this first") && page.contains("high limit")
    );
    assert_eq!(page.matches("<section class=\"sheet\">").count(), sheets.signals.len() + sheets.alarms.len());
    assert!(page.contains("break-inside:avoid") && !page.contains("<script"));
    assert!(page.contains("As found") && page.contains("As left"));
}

#[test]
fn the_csv_has_a_row_for_each_point_and_no_formulas() {
    let (_, mut sheets) = demo_sheets();
    sheets.signals[0].name = "=1+1, \"odd\"".to_owned();
    let text = sheets.csv();
    let points: usize = sheets.signals.iter().map(|sheet| sheet.points.len()).sum();
    assert_eq!(text.lines().count(), points + 1);
    assert!(text.contains("\"'=1+1, \"\"odd\"\"\""), "{}", text.lines().nth(1).unwrap());
}

/// Nobody is told to defeat a protective device, or to turn a hot fryer to the end of its range.
#[test]
fn what_could_hurt_is_not_asked_for() {
    let (line, sheets) = demo_sheets();
    for alarm in line
        .alarms
        .iter()
        .filter(|alarm| alarm.class == Some(setward_config::line::AlarmClass::ProcessSafety))
    {
        let check = sheets.alarms.iter().find(|check| check.alarm == alarm.id).unwrap();
        assert!(check.provoke.contains("protective device's own test"), "{check:?}");
    }
    let setpoint = sheet_of(&sheets, "TIC-310-SP");
    assert!(setpoint.notes[0].contains("isolated and locked out"), "{:?}", setpoint.notes);
    let inlet = sheet_of(&sheets, "TT-310");
    assert!(inlet.notes[0].contains("in manual"), "{:?}", inlet.notes);
}
