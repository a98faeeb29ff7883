//! JSON under /api/v1, live events and the pages.
