//! Frames for firmware: a no_std encoder of the packed and text streams.
