//! What stands on every sheet that is taken to the plant: what Setward is not, and what hurts there.

/// The cautions. Local codes, licensed practice and the plant's own procedures come before them.
pub const CAUTIONS: [&str; 8] = [
    "Monitoring only: not a safety instrumented function, burner management, high limit or interlock, and no credit in a risk \
     assessment. It reads and does not write. Losing it changes nothing on the plant.",
    "A loop that is right on this sheet does not prove a high limit, a flame safeguard or an interlock: those have their own \
     procedures, and are tested by people who are licensed for them. Never inject into a circuit of theirs.",
    "Hot oil burns and ignites. The fryer needs an independent high limit with manual reset on a probe of its own, and proven \
     flow and level; a good trend does not prove that it works. Never pour water on oil. Turn the heat off before the pump, and \
     let the pump run until the oil is cool.",
    "Fuel gas: never relight from a screen. Purge and burner safeguards belong to the approved burner controller.",
    "Corn and masa flour dust explodes: keep it off hot surfaces and away from gear that is not rated for it.",
    "Kettles, soak tanks, hoppers and the fryer are confined spaces, with burns, engulfment and caustic lime. \u{201c}Stopped\u{201d} on a \
     screen is not isolated: lock out, tag out, verify zero energy, stored energy (steam, hot oil, belts, springs) too.",
    "Nip points of mill, sheeter, cutter and drum need their guards. Lime (pH 12 and more) hurts eyes and skin.",
    "A value that is bad or old shows as bad, never as the last one. Local codes, licensed practice and the plant's own \
     procedures come before this text.",
];
