//! `tautline devices`: the sound devices that can play.

use serde::Serialize;

use super::{CliError, output};
use crate::audition::{DeviceInfo, devices};

/// How to list them.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Document {
    devices: Vec<DeviceInfo>,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let devices = devices()?;
    if args.json {
        return output::json(&Document { devices });
    }
    if devices.is_empty() {
        return output::text("No device can play. Use --out pipe:- or --out file:PATH.\n");
    }
    let mut text = String::from(
        "Outputs for `tautline audition SESSION.json --out device:NAME` (* is the default one):\n",
    );
    for device in devices {
        let mark = if device.default { '*' } else { ' ' };
        let rates = device.rates.map_or(String::new(), |(low, high)| match low == high {
            true => format!(", {low} Hz"),
            false => format!(", {low} to {high} Hz"),
        });
        let channels = device.channels.map_or(String::new(), |count| format!(", up to {count} channels"));
        let buffers = device
            .buffers
            .map_or(String::new(), |(low, high)| format!(", buffers of {low} to {high} frames"));
        text.push_str(&format!(
            "{mark} {}  ({}{rates}{channels}{buffers})\n",
            device.name, device.description
        ));
    }
    output::text(&text)
}
