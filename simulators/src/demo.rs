//! The bundled stations of Larkmoor Water, an invented utility: one sound, the others each wrong in a different way.
//!
//! Must never be needed by the simulation itself.

use crate::station_file::StationFile;

const TEXTS: [(&str, &str); 8] = [
    ("alder-creek-lift", include_str!("../stations/alder-creek-lift.toml")),
    ("quarry-road-booster", include_str!("../stations/quarry-road-booster.toml")),
    ("mill-race-pumping", include_str!("../stations/mill-race-pumping.toml")),
    ("heron-point-lift", include_str!("../stations/heron-point-lift.toml")),
    ("saltgrass-intake", include_str!("../stations/saltgrass-intake.toml")),
    ("fenwick-hill-booster", include_str!("../stations/fenwick-hill-booster.toml")),
    ("tannery-street-lift", include_str!("../stations/tannery-street-lift.toml")),
    ("cooper-flats-pumping", include_str!("../stations/cooper-flats-pumping.toml")),
];

/// File names (without `.toml`) and texts of the bundled stations.
pub fn demo_texts() -> &'static [(&'static str, &'static str)] {
    &TEXTS
}

/// The bundled stations. A text that cannot be read is left out; a test makes sure there is none.
pub fn demo_stations() -> Vec<StationFile> {
    TEXTS.iter().filter_map(|(_, text)| StationFile::from_toml(text).ok()).collect()
}
