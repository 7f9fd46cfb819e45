//! Opening AIFF, FLAC and compressed files with symphonia, and what its errors mean.

use std::fs::File;
use std::io;
use std::path::Path;

use symphonia::core::codecs::audio::well_known as codec;
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, Track, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream, ReadOnlySource};
use symphonia::core::meta::MetadataOptions;

use super::guard::guard;
use super::info::{Container, SampleKind};
use super::{MediaError, MediaErrorKind, sniff};

pub(crate) type Parts = (Box<dyn FormatReader>, Box<dyn AudioDecoder>, Track);

/// Opens `file` for decoding.
pub(crate) fn open(file: File, path: &Path, container: Container) -> Result<Parts, MediaError> {
    let opened = match guard(path, || open_parts(Box::new(file)))? {
        // The AIFF reader seeks to the end of the samples first, which a file cut short does not have. It does
        // without if it believes that it cannot seek.
        Err(Error::IoError(e))
            if container == Container::Aiff && e.kind() == io::ErrorKind::UnexpectedEof =>
        {
            let file = sniff::open(path)?;
            guard(path, || open_parts(Box::new(ReadOnlySource::new(file))))?
        }
        opened => opened,
    };
    opened.map_err(|e| unreadable(path, e))
}

fn open_parts(source: Box<dyn MediaSource>) -> Result<Parts, Error> {
    let stream = MediaSourceStream::new(source, Default::default());
    let reader = symphonia::default::get_probe().probe(
        &Hint::new(),
        stream,
        FormatOptions::default(),
        MetadataOptions::default(),
    )?;
    let track = reader
        .default_track(TrackType::Audio)
        .cloned()
        .ok_or(Error::Unsupported("there is no sound in it"))?;
    let parameters = track
        .codec_params
        .as_ref()
        .and_then(|parameters| parameters.audio())
        .ok_or(Error::Unsupported("its coding is not known"))?;
    let decoder =
        symphonia::default::get_codecs().make_audio_decoder(parameters, &AudioDecoderOptions::default())?;
    Ok((reader, decoder, track))
}

pub(crate) fn unreadable(path: &Path, error: Error) -> MediaError {
    match error {
        Error::IoError(e) if e.kind() == io::ErrorKind::UnexpectedEof => {
            MediaError::damaged(path, "it ends before its first samples")
        }
        Error::IoError(e) => MediaError::reading(path, e),
        Error::Unsupported(what) => MediaError::new(
            MediaErrorKind::Unsupported,
            path,
            format!("it cannot be decoded ({what})"),
            "export it as WAV or FLAC",
        ),
        other => MediaError::damaged(path, format!("it cannot be decoded ({other})")),
    }
}

/// How the samples of a track are stored.
pub(crate) fn sample_kind(parameters: &AudioCodecParameters) -> SampleKind {
    // ALAC says it in its own header only: the sixth byte of its configuration is the bit depth.
    let alac = parameters.extra_data.as_ref().filter(|_| parameters.codec == codec::CODEC_ID_ALAC);
    let alac_bits = alac.and_then(|config| config.get(5)).map(|bits| u32::from(*bits));
    let bits = parameters.bits_per_sample.or(parameters.bits_per_coded_sample).or(alac_bits).unwrap_or(0);
    match (parameters.codec, bits) {
        (codec::CODEC_ID_PCM_F32BE | codec::CODEC_ID_PCM_F32LE, _) => SampleKind::F32,
        (codec::CODEC_ID_PCM_F64BE | codec::CODEC_ID_PCM_F64LE, _) => SampleKind::F64,
        (codec::CODEC_ID_PCM_ALAW | codec::CODEC_ID_PCM_MULAW, _) => SampleKind::Compressed,
        (codec::CODEC_ID_MP1 | codec::CODEC_ID_MP2 | codec::CODEC_ID_MP3, _) => SampleKind::Compressed,
        (codec::CODEC_ID_AAC | codec::CODEC_ID_VORBIS | codec::CODEC_ID_OPUS, _) => SampleKind::Compressed,
        (_, 1..=8) => SampleKind::I8,
        (_, 9..=16) => SampleKind::I16,
        (_, 17..=24) => SampleKind::I24,
        (_, 25..=32) => SampleKind::I32,
        _ => SampleKind::Compressed,
    }
}
