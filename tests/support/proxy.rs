//! A wire between the daemon and a server that can be cut, slowed, or left hanging.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

/// How the wire behaves.
#[derive(Debug, Clone, Copy)]
pub enum Wire {
    /// What comes goes on.
    Sound,
    /// Each piece waits so long before it goes on, milliseconds.
    Slow(u64),
    /// One byte after each such wait, milliseconds.
    Trickle(u64),
    /// Nothing goes on, and nobody is told: the other end of a dead link.
    HalfOpen,
}

#[derive(Debug, Default)]
struct State {
    /// Milliseconds a piece, bytes a piece; 0 bytes = nothing goes on.
    wait_ms: AtomicU64,
    piece: AtomicUsize,
    ended: AtomicBool,
    open: Mutex<Vec<TcpStream>>,
}

/// The wire; the daemon connects to `port`.
pub struct Proxy {
    pub port: u16,
    state: Arc<State>,
}

const LARGE: usize = 16_384;
const BLINK: Duration = Duration::from_millis(20);

impl Proxy {
    /// A sound wire to `port` of this machine.
    pub fn to(port: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let state = Arc::new(State::default());
        let proxy = Self { port: listener.local_addr().unwrap().port(), state: Arc::clone(&state) };
        proxy.set(Wire::Sound);
        listener.set_nonblocking(true).unwrap();
        thread::spawn(move || {
            while !state.ended.load(Ordering::SeqCst) {
                match listener.accept() {
                    Ok((near, _)) => join(&state, near, port),
                    Err(_) => thread::sleep(BLINK),
                }
            }
        });
        proxy
    }

    /// From now on the wire behaves so, on connections that stand too.
    pub fn set(&self, wire: Wire) {
        let (wait_ms, piece) = match wire {
            Wire::Sound => (0, LARGE),
            Wire::Slow(ms) => (ms, LARGE),
            Wire::Trickle(ms) => (ms, 1),
            Wire::HalfOpen => (0, 0),
        };
        self.state.wait_ms.store(wait_ms, Ordering::SeqCst);
        self.state.piece.store(piece, Ordering::SeqCst);
    }

    /// Cuts every connection that stands; the next finds the wire again.
    pub fn cut(&self) {
        for end in self.state.open.lock().unwrap().drain(..) {
            let _ = end.shutdown(Shutdown::Both);
        }
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.state.ended.store(true, Ordering::SeqCst);
        self.cut();
    }
}

fn join(state: &Arc<State>, near: TcpStream, port: u16) {
    near.set_nonblocking(false).unwrap();
    let Ok(far) = TcpStream::connect(("127.0.0.1", port)) else {
        let _ = near.shutdown(Shutdown::Both);
        return;
    };
    let mut open = state.open.lock().unwrap();
    for (from, to) in [(&near, &far), (&far, &near)] {
        let (from, to) = (from.try_clone().unwrap(), to.try_clone().unwrap());
        let state = Arc::clone(state);
        thread::spawn(move || carry(&state, from, to));
    }
    open.extend([near, far]);
}

/// Carries what `from` says to `to` until either ends.
fn carry(state: &State, mut from: TcpStream, mut to: TcpStream) {
    let mut room = [0; LARGE];
    while !state.ended.load(Ordering::SeqCst) {
        let piece = state.piece.load(Ordering::SeqCst);
        if piece == 0 {
            thread::sleep(BLINK);
            continue;
        }
        // Short patience: a wire that goes dead must hold back what comes from then on.
        from.set_read_timeout(Some(BLINK)).unwrap();
        let read = match from.read(&mut room[..piece]) {
            Ok(0) => break,
            Ok(read) => read,
            Err(error)
                if matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) =>
            {
                continue;
            }
            Err(_) => break,
        };
        thread::sleep(Duration::from_millis(state.wait_ms.load(Ordering::SeqCst)));
        while state.piece.load(Ordering::SeqCst) == 0 && !state.ended.load(Ordering::SeqCst) {
            thread::sleep(BLINK);
        }
        if to.write_all(&room[..read]).is_err() {
            break;
        }
    }
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
}
