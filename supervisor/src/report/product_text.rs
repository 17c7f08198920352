//! The product that an alarm touched, and the checks around it, in words.

use super::batch_text::Local;
use super::hold_window::{CheckWindow, HoldReport, ProductRow};
use super::review::TouchedRow;
use super::tables::kg;
use super::text::span;

impl HoldReport {
    pub(super) fn checks_title(&self) -> &'static str {
        let is_unpacked = self.corn.as_ref().is_some_and(|corn| corn.packed_not_before.is_none());
        match (is_unpacked, self.checks_are_kept) {
            (true, _) => "From the last good check to the next: not known before its corn is packed",
            (false, true) => "From the last good check to the next",
            (false, false) => "From the last good check to the next: no checks are entered on this line",
        }
    }

    pub(super) fn check_lines(&self, local: Local<'_>) -> Vec<String> {
        let is_unknown = self.product.as_ref().is_some_and(|product| product.packed_from.is_none());
        let none_after =
            if is_unknown { "none that counts, for when it was packed is not known" } else { "none yet" };
        let at = |at: &Option<String>, none: &str| at.as_deref().map_or_else(|| none.to_owned(), local);
        let line = |check: &CheckWindow| {
            format!(
                "{}: good {}, next good {}, {} failed between, {}{}",
                check.check,
                at(&check.last_good, "none known before"),
                at(&check.next_good, none_after),
                check.failed,
                check_kg(check),
                check.touched.words().map(|words| format!("; {words}")).unwrap_or_default()
            )
        };
        self.checks.iter().map(line).collect()
    }
}

/// "about 1250 kg, at most 1330 kg; the feed was not known for 2 min".
fn check_kg(check: &CheckWindow) -> String {
    let most = check.most_kg.map(|most| format!(", at most {most:.0} kg")).unwrap_or_default();
    let unknown = check.unknown_s.filter(|unknown| *unknown >= 1.0);
    let unknown = unknown.map(|unknown| format!("; the feed was not known for {}", span(unknown)));
    format!("{}{most}{}", kg(check.about_kg), unknown.unwrap_or_default())
}

impl TouchedRow {
    /// What it touched, in a few lines.
    #[must_use]
    pub fn product_words(&self, local: Local<'_>) -> Vec<String> {
        match (&self.product, &self.corn) {
            (Some(product), _) => product_words(product, local),
            (None, Some(corn)) => corn.words(local),
            (None, None) => vec!["no product is traced".to_owned()],
        }
    }
}

/// Product in a few lines.
#[must_use]
pub(super) fn product_words(product: &ProductRow, local: Local<'_>) -> Vec<String> {
    let mut lines = Vec::new();
    lines.push(match (&product.packed_from, &product.packed_to) {
        (Some(from), Some(to)) => {
            let so_far = if product.is_forecast { "to be packed" } else { "packed" };
            let spread =
                product.spread_s.map(|spread| format!(", spread {}", span(spread))).unwrap_or_default();
            let as_now = if product.is_at_present_rate { " as the feed is now" } else { "" };
            format!(
                "{so_far} about {} to {}{spread}, {}{as_now}",
                local(from),
                local(to),
                kg(product.about_kg)
            )
        }
        (_, _) => format!("when it was packed is not known, {}", kg(product.about_kg)),
    });
    if let (Some(from), Some(to)) = (&product.packed_not_before, &product.packed_not_after) {
        lines.push(format!(
            "hold at most what was packed {} to {}, {}",
            local(from),
            local(to),
            kg(product.most_kg)
        ));
    }
    let tanks: Vec<String> = product.tanks.iter().map(|tank| format!("tank {tank}")).collect();
    let unknown = if product.unknown_tank_s >= 1.0 {
        format!(", {} from a tank that is not known", span(product.unknown_tank_s))
    } else {
        String::new()
    };
    lines.push(format!(
        "from {}{unknown}",
        if tanks.is_empty() { "a tank that is not known".to_owned() } else { tanks.join(", ") }
    ));
    lines.push(format!(
        "batches {}",
        if product.batches.is_empty() { "not known".to_owned() } else { product.batches.join(", ") }
    ));
    if !product.recipes.is_empty() {
        lines.push(format!("made by {}", product.recipes.join("; ")));
    }
    if product.was_reversed {
        lines.push("a belt ran backward meanwhile: the times can't be relied on".to_owned());
    }
    lines
}
