//! The live stream: `hello`, then a frame several times a second, and what changes beside it.
//!
//! One task ([`Feed::run`]) takes every sample in and writes events into a ring; readers pull from
//! the ring, each at its own pace. Nothing a reader does reaches the task, let alone the station.

mod feed;
mod frame;
mod hello;
mod mark;
mod reader;
mod ring;
mod standing;

pub(crate) use feed::Feed;
pub(crate) use frame::{Frame, shown};
pub(crate) use hello::{Health, Hello, health_of, trouble_of, true_utc};
pub(crate) use mark::Mark;
pub(crate) use reader::*;
