//! The boards for a start and for a change of recipe, and the wall, over the bad night.

use super::requests::{check_says, json};
use super::support::{before, id, line, snapshot, stage};
use super::{Answer, get};
use axum::http::StatusCode;
use setward_alarm::Target;
use setward_config::line::{JudgeWhen, Line, RecipeNumber};
use setward_protocol::{Mode, StationId};
use std::time::Duration;

/// The night's line with a second recipe that is hotter at the fryer, and a number that says which runs.
fn two_recipes() -> Line {
    let mut line = line();
    let mut white = line.recipes[0].clone();
    (white.key, white.name) = ("white-corn-strips".to_owned(), "White-corn strips".to_owned());
    let inlet = white.setpoints.iter_mut().find(|asked| asked.signal == id("TT-310")).unwrap();
    inlet.target = Target { setpoint: 185.0, ..inlet.target };
    line.recipes.push(white);
    line.recipe_numbers.push(RecipeNumber {
        signal: id("TIC-310-MODE"),
        numbers: [(0, 0), (1, 1)].into(),
        stations: vec![StationId(1), StationId(2)],
        changeover: Duration::from_secs(1200),
    });
    line
}

async fn page(line: Line, path: &str) -> Answer {
    get(&stage(line, snapshot()).state, path).await
}

#[tokio::test]
async fn the_start_up_board_says_what_is_not_ready_and_how_long_it_may_take() {
    let found = page(line(), "/start-up").await;
    assert_eq!(found.status, StatusCode::OK);
    check_says(
        &found.text,
        &[
            "SIMULATED",
            "Not ready: Kettle 1 cook temperature no value",
            "no data from controller oven; TIC-310 in manual",
            // 1.1 K to the band's edge at 0.3 K a minute; 5.8 at 0.4.
            "Fryer oil outlet 5.1 K below, about 4 min",
            "Fryer oil flow 8.8 m\u{b3}/h below, about 15 min",
            "Fryer oil inlet 5.6 K below, moving away",
            "Fryer oil setpoint, as entered is entered as 185.0 \u{b0}C , the recipe asks 182.0 \u{b0}C",
            "no permission to start",
        ],
        &["Nothing that Setward sees is in the way"],
    );
    assert!(!found.text.contains("<form"), "nothing is asked for here");
    let body = json(&page(line(), "/api/v1/start-up").await.text);
    assert_eq!((body["ready"].as_bool(), body["schema_version"].as_i64()), (Some(false), Some(1)));
    let fryer = &body["stations"][2];
    let outlet = fryer["held"].as_array().unwrap().iter().find(|held| held["tag"] == "TT-313").unwrap();
    assert_eq!((outlet["place"].as_str(), outlet["in_band_about_s"].as_f64()), (Some("below"), Some(220.0)));
    assert_eq!(fryer["loops_in_manual"][0], "TIC-310");
}

#[tokio::test]
async fn a_line_of_which_all_is_in_band_is_told_so_and_noise_gives_no_time() {
    let mut calm = snapshot();
    for (tag, value) in [
        ("TT-101", 96.0),
        ("TT-201", 635.0),
        ("TT-310", 182.0),
        ("TT-313", 168.0),
        ("FT-320", 46.0),
        ("TIC-310-SP", 182.0),
        ("TIC-201-SP", 635.0),
        ("TIC-310-MODE", 1.0),
        ("TIC-201-MODE", 1.0),
        ("ST-220", 0.75),
    ] {
        calm.signals[usize::from(id(tag).0)] = super::support::good(value, 0.0, [0; 4]);
    }
    calm.controllers[1] = calm.controllers[0].clone();
    let ready = get(&stage(line(), calm.clone()).state, "/start-up").await.text;
    check_says(&ready, &["Nothing that Setward sees is in the way."], &["Not ready"]);
    let mut noisy = super::support::good(160.0, 1.0, [0; 4]);
    noisy.slope_error_per_min = Some(0.5);
    calm.signals[usize::from(id("TT-313").0)] = noisy;
    let page = get(&stage(line(), calm).state, "/start-up").await.text;
    check_says(&page, &["Not ready: Fryer oil outlet 8.0 K below, time not known."], &["about"]);
}

#[tokio::test]
async fn the_changeover_board_has_old_and_new_setpoints_and_what_is_in_band_already() {
    let found = page(two_recipes(), "/changeover").await;
    check_says(
        &found.text,
        &[
            "From Blue-corn rounds, salted to White-corn strips",
            "1 setpoint to enter",
            "185.0 \u{b0}C was 182.0 \u{b0}C 185.0 set already",
            "lasts 20 min at most",
            "How long product takes to the bag is not known now",
        ],
        &[],
    );
    let body = json(&page(two_recipes(), "/api/v1/changeover?to=white-corn-strips").await.text);
    let inlet = body["setpoints"].as_array().unwrap().iter().find(|one| one["tag"] == "TIC-310-SP").unwrap();
    assert_eq!(
        (inlet["from"].as_f64(), inlet["to"].as_f64(), inlet["todo"].as_str()),
        (Some(182.0), Some(185.0), Some("set already"))
    );
    assert_eq!(body["lasts_at_most_s"].as_f64(), Some(1200.0));
    let mut changing = snapshot();
    (changing.stations[2].mode, changing.stations[2].since) = (Mode::Changeover, Some(before(600)));
    let page = get(&stage(two_recipes(), changing).state, "/changeover").await.text;
    check_says(&page, &["Under way since 03:00:22 at Fryer: it ends at 03:20:22 at the latest"], &[]);
}

/// A value that latitude would allow is still the old recipe's, or a slip of the hand: it is to be entered.
#[tokio::test]
async fn near_the_new_setpoint_is_not_set_already() {
    let mut near = snapshot();
    near.signals[usize::from(id("TIC-310-SP").0)] = super::support::good(184.7, 0.0, [0; 4]);
    let path = "/api/v1/changeover?to=white-corn-strips";
    let body = json(&get(&stage(two_recipes(), near).state, path).await.text);
    let inlet = body["setpoints"].as_array().unwrap().iter().find(|one| one["tag"] == "TIC-310-SP").unwrap();
    assert_eq!(inlet["todo"], "to enter", "{inlet}");
}

#[tokio::test]
async fn a_recipe_that_is_not_there_is_told_with_the_nearest_and_one_recipe_is_nothing_to_change_to() {
    check_says(&page(line(), "/changeover").await.text, &["one recipe only"], &[]);
    assert_eq!(page(line(), "/api/v1/changeover").await.status, StatusCode::UNPROCESSABLE_ENTITY);
    for path in ["/changeover?to=white-corn-strip", "/start-up?recipe=white-corn-strip"] {
        let answer = page(two_recipes(), path).await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{path}");
        check_says(&answer.text, &["Did you mean white-corn-strips"], &[]);
        let api = page(two_recipes(), &format!("/api/v1{path}")).await;
        assert!(api.status == StatusCode::NOT_FOUND && api.text.contains("nearest"), "{}", api.text);
    }
    let against = page(two_recipes(), "/start-up?recipe=white-corn-strips").await.text;
    check_says(&against, &["Fryer oil inlet 8.6 K below"], &["is entered as 185.0"]);
}

#[tokio::test]
async fn the_wall_shows_every_station_and_every_standing_alarm_and_can_not_be_touched() {
    let wall = page(line(), "/wall").await.text;
    check_says(
        &wall,
        &[
            "Line 1",
            "SIMULATED",
            "Fryer oil flow low",
            "Fryer oil outlet too cold",
            "Kettle",
            "Oven",
            "NO DATA",
            "121 %",
            "NEW",
            "Monitoring only",
        ],
        &[],
    );
    for touched in ["<a ", "<form", "<button", "<input", "<details", "style="] {
        assert!(!wall.contains(touched), "{touched}");
    }
    assert!(wall.contains("<noscript><meta http-equiv=\"refresh\""));
    assert!(page(line(), "/wall?scheme=dark").await.text.contains("<html lang=\"en\" class=\"dark\">"));
}

/// "In tolerance" is said of what is judged; a line that stands is not in tolerance, and not out of it.
#[tokio::test]
async fn the_wall_says_in_tolerance_only_where_something_is_judged() {
    let (mut line, mut calm) = (line(), snapshot());
    for asked in &mut line.recipes[0].setpoints {
        asked.judge_when = JudgeWhen::StationRun;
    }
    for view in &mut calm.alarms {
        (view.state, view.forecast) = (setward_alarm::AlarmState::Normal, setward_alarm::Forecast::Quiet);
        (view.raised, view.exposure, view.beyond_since) = (None, None, None);
    }
    for (tag, value) in
        [("TT-101", 96.0), ("TT-310", 182.0), ("TIC-310-SP", 182.0), ("TT-313", 168.0), ("FT-320", 46.0)]
    {
        calm.signals[usize::from(id(tag).0)] = super::support::good(value, 0.0, [0; 4]);
    }
    let fryer =
        |wall: &str| wall.split("<section").find(|tile| tile.contains("<h2>Fryer")).unwrap().to_owned();
    let runs = get(&stage(line.clone(), calm.clone()).state, "/wall").await.text;
    check_says(&fryer(&runs), &["in tolerance"], &["nothing judged now"]);
    calm.stations[2].mode = Mode::Stopped;
    let stands = get(&stage(line, calm).state, "/wall").await.text;
    check_says(&fryer(&stands), &["nothing judged now"], &["in tolerance"]);
}

/// For two seconds after its last answer a lost controller's data are as young as the others'.
#[tokio::test]
async fn a_page_does_not_say_that_all_controllers_were_read_while_one_is_lost() {
    let mut all = snapshot();
    all.controllers[1] = all.controllers[0].clone();
    let heard = get(&stage(line(), all.clone()).state, "/").await.text;
    check_says(&heard, &["all controllers read under 2 s ago"], &["oldest data"]);
    all.controllers[1] = snapshot().controllers[1].clone();
    all.controllers[1].last_good = Some(before(1));
    let lost = get(&stage(line(), all).state, "/").await.text;
    check_says(&lost, &["oldest data under 2 s old, from controller oven"], &["all controllers read"]);
}

#[tokio::test]
async fn more_alarms_than_fit_are_counted_and_an_old_snapshot_looks_old() {
    let mut many = snapshot();
    for view in &mut many.alarms {
        *view = many_views(view);
    }
    let mut line = line();
    let more = line.alarms[0].clone();
    many.alarms.push(many.alarms[0].clone());
    line.alarms.push(setward_config::line::LineAlarm { id: "one-more".to_owned(), ..more });
    many.utc = before(60);
    let wall = get(&stage(line, many).state, "/wall").await.text;
    check_says(&wall, &["and 3 more:", "OLD: these values are from 03:09:22, 1 min ago"], &[]);
    assert!(wall.contains("both stale"), "{wall}");
}

fn many_views(view: &crate::snapshot::AlarmView) -> crate::snapshot::AlarmView {
    crate::snapshot::AlarmView {
        state: setward_alarm::AlarmState::Unacknowledged,
        raised: Some(before(10)),
        ..view.clone()
    }
}
