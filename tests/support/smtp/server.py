"""A real mail server (aiosmtpd) that behaves well or badly on demand.

usage: server.py PORT BEHAVIOUR [CERTIFICATE KEY [FOLDER]]

Says `port N` once it listens, then one line for each letter it took: `took MESSAGE-ID BYTES`, `user NAME` for each
sign-in and `password` for each password it was shown that was wrong or came in the clear. FOLDER takes each letter as it
came, numbered in that order. A line of its standard input is the behaviour from then on, answered by `now NAME`; it ends
when that does.
"""

import asyncio
import email
import logging
import pathlib
import ssl
import sys
import warnings

from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword

# What goes wrong here goes wrong on purpose.
logging.getLogger("mail.log").setLevel(logging.CRITICAL)
warnings.simplefilter("ignore")

USER, PASSWORD = b"garden", b"right"


def say(*words):
    print(*words, flush=True)


def authenticate(server, session, envelope, mechanism, data):
    right = isinstance(data, LoginPassword) and (data.login, data.password) == (USER, PASSWORD)
    if not right or server.transport.get_extra_info("sslcontext") is None:
        say("password")
    if right:
        say("user", data.login.decode())
    # Not handled: the server itself answers 535; else it would leave the client without a word.
    return AuthResult(success=right, handled=False)


# Crawling answers for one person ("tarpit-N": N bytes) or from the greeting on ("tarpit").
TARPIT = "tarpit"


class Behaviour:
    def __init__(self, name, folder=None):
        self.name = name
        self.folder = folder and pathlib.Path(folder)
        self.seen = self.taken = 0

    def first(self):
        self.seen += 1
        return self.seen == 1

    async def handle_MAIL(self, server, session, envelope, address, options):
        if self.name == "sender-refused":
            return "553 5.7.1 not your address"
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(self, server, session, envelope, address, options):
        if self.name == "put-off" or self.name == "put-off-once" and self.first():
            return "451 4.7.1 come back later"
        if self.name == "drops-before":
            server.transport.abort()
        if self.name == "unknown" and address.startswith("nobody"):
            return "550 5.1.1 no such user"
        if self.name.startswith(TARPIT + "-") and address.startswith("slow"):
            server.crawls = True
            envelope.rcpt_tos.append(address)
            return "250 ".ljust(int(self.name.removeprefix(TARPIT + "-")), ".")
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        self.taken += 1
        if self.folder:
            (self.folder / f"{self.taken:04}.eml").write_bytes(envelope.content)
        message = email.message_from_bytes(envelope.content)
        say("took", message["Message-ID"], len(envelope.content))
        if self.name == "drops" or self.name == "drops-once" and self.first():
            # The letter is taken, but its acceptance never reaches the sender.
            server.transport.abort()
        return "250 OK"


class Slow(SMTP):
    """Says what it says byte by byte."""

    async def push(self, status):
        words = status if isinstance(status, bytes) else bytes(status, "utf-8")
        for byte in words + b"\r\n":
            # Before the byte: once all is said the client's next word may be the first of TLS.
            await asyncio.sleep(0.004)
            self._writer.write(bytes([byte]))
        await self._writer.drain()


class Tarpit(SMTP):
    """Says one byte a second where it crawls."""

    crawls = False

    async def push(self, status):
        if not self.crawls:
            return await super().push(status)
        self.crawls = self.event_handler.name == TARPIT
        words = status if isinstance(status, bytes) else bytes(status, "utf-8")
        for byte in words + b"\r\n":
            await asyncio.sleep(1)
            if self.transport.is_closing():
                return
            self._writer.write(bytes([byte]))


def listen(behaviour, loop):
    for line in sys.stdin:
        loop.call_soon_threadsafe(setattr, behaviour, "name", line.strip())
        loop.call_soon_threadsafe(say, "now", line.strip())


async def main(port, name, certificate=None, key=None, folder=None):
    context = None
    if certificate:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate, key)
    behaviour = Behaviour(name, folder)
    first_byte = context if name == "tls" else None
    starttls = context if name not in ("tls", "no-starttls") else None

    def connection():
        kind = {"slow": Slow, TARPIT: Tarpit}.get(behaviour.name.split("-")[0], SMTP)
        server = kind(
            behaviour,
            hostname="mail.test",
            tls_context=starttls,
            require_starttls=starttls is not None,
            authenticator=authenticate,
            auth_required=context is not None,
            auth_require_tls=starttls is not None,
            loop=asyncio.get_running_loop(),
        )
        server.crawls = behaviour.name == TARPIT
        return server

    loop = asyncio.get_running_loop()
    server = await loop.create_server(connection, "127.0.0.1", int(port), ssl=first_byte, reuse_address=True)
    say("port", server.sockets[0].getsockname()[1])
    await loop.run_in_executor(None, listen, behaviour, loop)


asyncio.run(main(*sys.argv[1:]))
