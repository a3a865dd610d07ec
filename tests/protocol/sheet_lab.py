"""Broken lab files: one edit of the whole one, the line that is told, and exactly what of it."""

from __future__ import annotations

from tests.protocol.lab_texts import ALL

NO_SECRET = (
    "a secret does not belong in this file; write where it is kept: "
    '{ file = "../secrets/NAME" } or { variable = "NAME" }; change the secret if anybody else has '
    "read this file"
)
HOST = 'give the host alone, as in "broker.example"'

SHEET = [
    # (what is replaced, with what, the line told, the rest of what is told)
    # Root.
    (
        'name = "night-lab"\n',
        "",
        57,
        'name: is missing; add name = "..." with a name of your choice',
    ),
    (
        '"night-lab"',
        '"Night Lab"',
        1,
        'name: "Night Lab" can be no part of a topic; give at most '
        '32 small letters, digits and "-", as in "frame-1"',
    ),
    (
        '"night-lab"',
        '"-lab"',
        1,
        'name: "-lab" can be no part of a topic; give at most 32 small '
        'letters, digits and "-", as in "frame-1"',
    ),
    (
        "Europe/Lisbon",
        "Europe/Lissabon",
        2,
        'zone: "Europe/Lissabon" is no time zone known here; did you mean "Europe/Lisbon"?',
    ),
    ("[mail]", "[mial]", 21, 'mial: is not known here; did you mean "mail"?'),
    (
        "[[person]]",
        "[person]",
        38,
        "[person] is there twice; write [[person]] with two brackets: "
        "people are a list; the rest of the file is read after that",
    ),
    # Broker.
    ('host = "broker.example"\n', "", 4, 'broker.host: is missing; add host = "broker.example"'),
    (
        '"broker.example"',
        '"mqtt://broker.example"',
        5,
        'broker.host: "mqtt://broker.example" is no '
        f"name of a host; {HOST}; its port has a key of its own",
    ),
    (
        '"broker.example"',
        '"broker.example:1883"',
        5,
        'broker.host: "broker.example:1883" is no '
        f"name of a host; {HOST}; its port has a key of its own",
    ),
    (
        '"broker.example"',
        '"teller:hunter2@broker.example"',
        5,
        f"broker.host: is more than a host; {HOST}; user and password have keys of their own",
    ),
    (
        '"broker.example"',
        '"192.0.2.300"',
        5,
        f'broker.host: "192.0.2.300" is no name of a host; {HOST}; its port has a key of its own',
    ),
    (
        '"broker.example"',
        '""',
        5,
        f'broker.host: "" is no name of a host; {HOST}; its port has a key of its own',
    ),
    ("8884", "0", 6, "broker.port: 0 is out of range; give 1 to 65535"),
    ("8884", "65536", 6, "broker.port: 65536 is out of range; give 1 to 65535"),
    (
        "8884",
        '"8884"',
        6,
        'broker.port: "8884" is not a whole number; give a whole number from 1 '
        "to 65535, without quotes",
    ),
    ('{ file = "../secrets/broker" }', '"hunter2"', 8, f"broker.password: {NO_SECRET}"),
    ('{ file = "../secrets/broker" }', '["hunter2"]', 8, f"broker.password: {NO_SECRET}"),
    (
        'password = { file = "../secrets/broker" }',
        'pasword = "hunter2"',
        8,
        [
            f"broker.password: {NO_SECRET}",
            'broker.pasword: is not known here; did you mean "password"?',
        ],
    ),
    (
        '{ file = "../secrets/broker" }',
        "hunter2",
        8,
        "a value is not in quotes; a secret does not "
        "belong in this file at all; the rest of the file is read after that",
    ),
    (
        '{ file = "../secrets/broker" }',
        '{ file = "b", variable = "B" }',
        8,
        "broker.password: "
        'needs file or variable, one of them; write { file = "../secrets/NAME" } or '
        '{ variable = "NAME" }',
    ),
    (
        '{ file = "../secrets/broker" }',
        '{ variable = "hunter-2" }',
        8,
        "broker.password.variable: "
        'is no name of a variable; give letters, digits and "_", as in "NIGHTRIG_BROKER"',
    ),
    ('user = "teller"\n', "", 7, 'broker.password: belongs to no user; add user = "..."'),
    ('"20 s"', '"1 s"', 9, 'broker.keep_alive: "1 s" is out of range; give 5 s to 10 min'),
    ('"20 s"', "20", 9, 'broker.keep_alive: 20 has no unit; give a time such as "2 min"'),
    ("[broker.tls]", "[broker.tsl]", 11, 'broker.tsl: is not known here; did you mean "tls"?'),
    (
        '"../secrets/ca.crt"',
        '"~/ca.crt"',
        12,
        'broker.tls.ca: "~/ca.crt" begins with ~, which means nothing here; write it in full',
    ),
    (
        'certificate = "rig.crt"\n',
        "",
        13,
        "broker.tls.key: is the key of no certificate; add "
        'certificate = "../secrets/rig.crt", or take the key out',
    ),
    # Requests.
    (
        'secret = { variable = "NIGHTRIG_REQUESTS" }\n',
        "",
        16,
        'requests.secret: is missing; add secret = { file = "../secrets/requests" }',
    ),
    ('{ variable = "NIGHTRIG_REQUESTS" }', '"hunter2"', 17, f"requests.secret: {NO_SECRET}"),
    ('"1 min"', '"1 d"', 18, 'requests.within: "1 d" is out of range; give 5 s to 10 min'),
    ("most = 6\n", "most = 0\n", 19, "requests.most: 0 is out of range; give 1 to 1000"),
    # Mail.
    (
        'sender = "nightrig@lab.example"\n',
        "",
        21,
        'mail.sender: is missing; add sender = "nightrig@lab.example"',
    ),
    (
        '"nightrig@lab.example"',
        '"Rig <nightrig@lab.example>"',
        24,
        'mail.sender: "Rig '
        '<nightrig@lab.example>" is no address of mail; give the address alone, as in '
        '"a.name@lab.example"',
    ),
    (
        '"tls"',
        '"ssl"',
        25,
        'mail.security: "ssl" is not known here; give "starttls", "tls" or "none"',
    ),
    ('user = "nightrig"\n', "", 26, 'mail.password: belongs to no user; add user = "..."'),
    (
        'password = { file = "../secrets/mail" }\n',
        "",
        26,
        'mail.user: cannot log in without a password; add password = { file = "../secrets/mail" }',
    ),
    (
        '"tls"',
        '"none"',
        28,
        'mail.ca: means nothing with security = "none"; give "starttls" or "tls"',
    ),
    # Program.
    (
        '["bin/call-out", "--rings", "3"]',
        '"bin/call-out"',
        31,
        'program.arguments: "bin/call-out" is no list; write it in brackets: ["bin/call-out"]',
    ),
    (
        '["bin/call-out", "--rings", "3"]',
        "[]",
        31,
        "program.arguments: has 0 entries; give at least 1",
    ),
    (
        '"bin/call-out"',
        '""',
        31,
        "program.arguments[1]: names no program; give its path first, as "
        'in ["/usr/local/bin/call-out"]',
    ),
    ('"3"]', "3]", 31, 'program.arguments[3]: 3 is not text; write it in quotes: "3"'),
    (
        '"3"]',
        '"3\\n"]',
        31,
        "program.arguments[3]: is no text in one line; give plain text, at most 4096 characters",
    ),
    (
        'within = "10 s"',
        'within = "0 s"',
        32,
        'program.within: "0 s" is out of range; give 1 s to 10 min',
    ),
    # People.
    ('name = "A. Night"\n', "", 34, 'person[1].name: is missing; add name = "A. Name"'),
    (
        '"a.night@lab.example"',
        '"a.night"',
        36,
        'person[1].mail: "a.night" is no address of mail; '
        'give the address alone, as in "a.name@lab.example"',
    ),
    (
        '"a.night@lab.example"',
        '"a@lab.example\\nBcc: b@lab.example"',
        36,
        "person[1].mail: "
        '"a@lab.example?Bcc: b@lab.example" is no address of mail; give the address alone, as in '
        '"a.name@lab.example"',
    ),
    (
        '"a.night@lab.example"',
        '"a.night@192.0.2.1"',
        36,
        'person[1].mail: "a.night@192.0.2.1" is no address of mail; give the address alone, as in '
        '"a.name@lab.example"',
    ),
    # Alerts.
    (
        '"by day"',
        '"all"',
        54,
        'alert[2].name: "all" is the name of another [[alert]]; give each its own',
    ),
    (
        'kinds = "all"\n',
        "",
        42,
        'alert[1].kinds: is missing; add kinds = ["failure", "limit", "fault"] or kinds = "all"',
    ),
    (
        'kinds = "all"',
        'kinds = "failure"',
        44,
        'alert[1].kinds: "failure" is no list; write it in brackets: ["failure"]',
    ),
    (
        '"pause", "water"',
        '"pause", "watter"',
        55,
        'alert[2].kinds[2]: "watter" is not known here; did you mean "water"?',
    ),
    (
        '"pause", "water"',
        '"pause", "zzz"',
        55,
        f'alert[2].kinds[2]: "zzz" is not known here; known here are {", ".join(ALL)}',
    ),
    (
        '"pause", "water"',
        '"pause", "pause"',
        55,
        'alert[2].kinds[2]: "pause" is there twice; keep one of the two',
    ),
    ('["pause", "water"]', "[]", 55, "alert[2].kinds: has 0 entries; give at least 1"),
    (
        '["B. Day", "A. Night"]',
        '["B. Dey"]',
        56,
        'alert[2].people[1]: "B. Dey" is not known here; did you mean "B. Day"?',
    ),
    ('["B. Day", "A. Night"]', "[]", 56, "alert[2].people: has 0 entries; give at least 1"),
    (
        'ways = ["mail"]',
        'ways = ["e-mail"]',
        57,
        'alert[2].ways[1]: "e-mail" is not known here; did you mean "mail"?',
    ),
    (
        'ways = ["mail"]',
        'ways = "mail"',
        57,
        'alert[2].ways: "mail" is no list; write it in brackets: ["mail"]',
    ),
    (
        '["22:00", "06:30"]',
        '["22:00", "22:00"]',
        58,
        'alert[2].quiet: ["22:00", "22:00"] ends when '
        'it begins; give two times such as ["22:00", "06:00"]',
    ),
    (
        '"06:30"]',
        '"6:30"]',
        58,
        'alert[2].quiet[2]: "6:30" is no time of day; write hours and '
        'minutes in quotes, "00:00" to "23:59"',
    ),
    (
        '["22:00", "06:30"]',
        '"22:00"',
        58,
        'alert[2].quiet: "22:00" is no pair of times of day; write for example ["20:00", "06:00"]',
    ),
    ('"10 min"', '"0 s"', 47, 'alert[1].repeat: "0 s" is out of range; give 1 min to 7 d'),
    (
        '"30 min"',
        '"30 s"',
        48,
        'alert[1].escalate_after: "30 s" is out of range; give 1 min to 7 d',
    ),
    (
        'escalate_after = "30 min"\n',
        "",
        48,
        'alert[1].escalate_to: needs its other half; add escalate_after = "30 min"',
    ),
    (
        'escalate_to = ["B. Day"]\n',
        "",
        48,
        'alert[1].escalate_after: needs its other half; add escalate_to = ["A. Name"]',
    ),
    (
        'escalate_to = ["B. Day"]',
        "escalate_to = []",
        49,
        "alert[1].escalate_to: has 0 entries; give at least 1",
    ),
    (
        'escalate_to = ["B. Day"]',
        'escalate_to = ["A. Night"]',
        49,
        "alert[1].escalate_to: names only people who are told at once; name somebody else",
    ),
    (
        'escalate_to = ["B. Day"]',
        'escalate_to = ["C. Nobody"]',
        49,
        'alert[1].escalate_to[1]: "C. Nobody" is not known here; known here are A. Night, B. Day',
    ),
    (
        "stays = true",
        'stays = "yes"',
        50,
        'alert[1].stays: "yes" is neither true nor false; write true or false without quotes',
    ),
    ("most = 60", "most = 1001", 51, "alert[1].most: 1001 is out of range; give 1 to 1000"),
    ("stays = true", "stay = true", 50, 'alert[1].stay: is not known here; did you mean "stays"?'),
]
