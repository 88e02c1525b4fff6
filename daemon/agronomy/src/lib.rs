//! The science of one bed.
#![no_std]
extern crate alloc;
