//! Oil, pump, cylinder, motor and fuse: equations with their source, and the fits that use them.
