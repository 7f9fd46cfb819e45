//! Sound files of any kind through symphonia, a reader of another origin.

use std::path::Path;

use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::formats::TrackType;
use symphonia::core::io::MediaSourceStream;

/// The rate of a sound file, and its samples, one vector for each channel.
pub fn decoded(path: &Path) -> (u32, Vec<Vec<f32>>) {
    let stream = MediaSourceStream::new(Box::new(std::fs::File::open(path).unwrap()), Default::default());
    let mut reader = symphonia::default::get_probe()
        .probe(&Default::default(), stream, Default::default(), Default::default())
        .unwrap();
    let track = reader.default_track(TrackType::Audio).unwrap().clone();
    let parameters = track.codec_params.as_ref().unwrap().audio().unwrap();
    let mut decoder = symphonia::default::get_codecs()
        .make_audio_decoder(parameters, &AudioDecoderOptions::default())
        .unwrap();
    let (mut rate, mut all, mut block) = (0, Vec::<Vec<f32>>::new(), Vec::new());
    while let Ok(Some(packet)) = reader.next_packet() {
        let audio = decoder.decode(&packet).unwrap();
        rate = audio.spec().rate();
        audio.copy_to_vecs_planar(&mut block);
        all.resize(block.len(), Vec::new());
        all.iter_mut().zip(&block).for_each(|(all, block)| all.extend(block));
    }
    (rate, all)
}
