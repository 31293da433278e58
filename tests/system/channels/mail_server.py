"""A mail server for tests on aiosmtpd, which is none of this project's.

Takes PORT CERTIFICATE KEY FOLDER; speaks STARTTLS and asks for a login (dv, geheim). Each message
is taken apart by Python's own e-mail package and kept as FOLDER/N.json.
"""

import email
import email.policy
import itertools
import json
import os
import ssl
import sys
import threading
import warnings

# What its own package deprecates is none of a test's business.
warnings.simplefilter("ignore")

from aiosmtpd.controller import Controller  # noqa: E402
from aiosmtpd.smtp import AuthResult  # noqa: E402

PORT, CERTIFICATE, KEY, FOLDER = sys.argv[1:]
NUMBERS = itertools.count()


class Taker:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("nobody@"):
            return "550 no such mailbox"
        if address.startswith("busy@") and os.path.exists(os.path.join(FOLDER, "busy")):
            return "450 mailbox busy"
        envelope.rcpt_tos.append(address)
        return "250 ok"

    async def handle_DATA(self, server, session, envelope):
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        parts = [part for part in message.walk() if not part.is_multipart()]
        kept = {
            "from": envelope.mail_from,
            "to": envelope.rcpt_tos,
            "is_tls": session.ssl is not None,
            "login": session.auth_data.decode() if session.auth_data else None,
            "subject": message["Subject"],
            "id": message["Message-ID"],
            "thread": message["References"],
            "date": message["Date"].datetime.isoformat(),
            "defects": [str(one) for part in message.walk() for one in part.defects],
            "kinds": [part.get_content_type() for part in message.walk()],
        }
        for part in parts:
            content = part.get_content()
            if isinstance(content, bytes):
                kept["png"] = content.hex()
                kept["png_id"] = part["Content-ID"]
            else:
                kept[part.get_content_subtype()] = content
        path = os.path.join(FOLDER, f"{next(NUMBERS)}.json")
        with open(path + ".part", "w") as file:
            json.dump(kept, file)
        os.rename(path + ".part", path)
        return "250 taken"


def authenticate(server, session, envelope, mechanism, data):
    good = data.login == b"dv" and data.password == b"geheim"
    # Not handled: the answer, yes or no, is left to the server.
    return AuthResult(success=good, handled=False, auth_data=data.login)


tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
tls.load_cert_chain(CERTIFICATE, KEY)
controller = Controller(
    Taker(),
    hostname="127.0.0.1",
    port=int(PORT),
    tls_context=tls,
    require_starttls=True,
    authenticator=authenticate,
    auth_required=True,
)
controller.start()
print("ready", flush=True)
threading.Event().wait()
