//! Journal, catalogue and archive behind one small trait.
