//! Camera attitudes in; axis, drive record and what cannot be known out.
//!
//! The key fact: between two frames of a pointing the camera turned over the ground by
//! `Rot(a, theta)`, whatever the drive did. With every drive angle free, the axis is the fixed
//! line of the camera's motion; the drive angles against time are then the record of the drive.

pub mod drive;
pub mod invert;
pub mod model;
pub mod split;
