//! Serial ports and files to frames: acknowledge, resend, set the clock.
