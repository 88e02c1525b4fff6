//! One file a command. A command writes what it has to say to the writer it is given and returns its exit
//! code.

pub mod check;
pub mod explain;
pub mod replay;
pub mod try_mail;
