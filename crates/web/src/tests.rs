//! Requests against a store in memory, filled by the engine from a roof played by hand.

use std::sync::{Arc, Mutex};

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use axum::response::Response;
use foldwatch_access::{Accounts, Guard, Pace, Person, Role, Token, digest, hashed};
use foldwatch_guide::{Guide, Kind, Press};
use foldwatch_pipeline::{Engine, Event, Verdict};
use foldwatch_profile::Profile;
use foldwatch_report::rfc3339;
use foldwatch_samples::Item;
use foldwatch_segment::Recording;
use foldwatch_store::*;
use foldwatch_units::{Micros, Seconds};
use http_body_util::BodyExt;
use tower::ServiceExt;

mod access;
mod bodies;
mod bounds;
mod causes;
mod damaged;
mod evidence;
mod guides;
mod live;
mod reading;
mod scene;

use crate::*;
use scene::{START, Scene, ask, get, json, scene, scene_with, send, signed_in, text};
