//! What can hurt whoever measures this again. General words; the rules of the place come first.

use crate::document::Block;

/// Common practice, no source, but where one is named.
const SAID: [&str; 5] = [
    "Ovens, ducts, probes and what was in the air stream stay hot enough to burn for hours after the heat is off. Let them cool, or wear what the place prescribes.",
    "Ovens that release flammable vapour are governed by local code (for example NFPA 86 in the USA, EN 1539 in Europe). Ventilation and interlocks are designed and proved by licensed practitioners, independent of this program; nothing in this report shows that an atmosphere is safe.",
    "Solvent vapour and combustion products harm whoever breathes them. Look at the place's own assessment before a port is opened or a door is entered.",
    "Heaters, fans and meters are on mains voltage. Only who is licensed for it opens them, with the supply locked off and proved dead.",
    "Fans start by themselves, and air at a port can throw things out. Lock them off before anything is put into a duct or near a belt.",
];

pub(super) fn section() -> Vec<Block> {
    let mut blocks = vec![super::flowing("Hazards when measuring again")];
    blocks.push(Block::Text(
        "This list is general and not complete. Local codes, the operator's own instructions and licensed practice come first."
            .to_owned(),
    ));
    blocks.extend(SAID.map(|said| Block::Caution(said.to_owned())));
    blocks
}
