//! What is not ready yet, and what a change of recipe asks for: knowledge behind two pages and their answers for programs. It only
//! looks at snapshots; nothing here starts, stops or permits anything.

pub(super) mod api;
pub(super) mod changeover;
pub(super) mod held;
pub(super) mod start_up;

use super::facts::Scene;
use setward_config::line::{Line, Recipe};

/// The recipe with this key, or the nearest one's.
pub(super) fn recipe<'a>(line: &'a Line, key: &str) -> Result<&'a Recipe, Option<String>> {
    line.recipes.iter().find(|recipe| recipe.key == key).ok_or_else(|| {
        super::names::nearest(&key.to_lowercase(), line.recipes.iter().map(|recipe| recipe.key.as_str()))
    })
}

/// The recipe that the last station runs: the one that the line is on its way from.
pub(super) fn present<'a>(scene: &Scene<'a>) -> &'a Recipe {
    scene.stations().last().map_or_else(|| scene.line.recipe(), |last| scene.recipe_at(last.id))
}
