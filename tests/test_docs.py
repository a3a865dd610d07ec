"""The README is true: what it names exists, and its tables are those of the code."""

from __future__ import annotations

import re
import tomllib
from typing import Annotated, Any, get_args

import click
import pytest
from pydantic import TypeAdapter

import bootstrap
from rig.assembly import events_tables
from rig.channels import CHANNEL_UNITS
from rig.commands.main import COMMANDS
from rig.commands.note import note
from rig.control.crack_limits import WIDEST
from rig.errors import EXIT_CODES
from rig.protocol import (
    calibration_tables,
    lab_tables,
    message_tables,
    people_tables,
    protocol_file,
    rig_file,
    series_plan_table,
    series_tables,
    service_file,
    trust_tables,
    wire_tables,
    wired_rig,
)
from rig.protocol.fields import Table
from rig.protocol.lab import KINDS, MOVABLE
from rig.protocol.lab_file import CLEAR_PORT, MAIL_PORTS, TLS_PORT
from rig.protocol.limit_tables import USUAL_LEARNED
from rig.protocol.series import MODES, QUANTITIES, SIGNS
from rig.protocol.series_checks import GROUP_KEYS
from rig.protocol.series_plan import SeriesPlan
from rig.protocol.wire import ACTIONS, ROLES
from rig.record.cracks import DIRECTIONS, FACES
from rig.record.pictures import LARGEST
from rig.samples import Flag
from rig.units import UNITS
from simulators.wire.troubles import RANDOM, SCRIPTS
from tests.readme import README, ROOT, commands, section

CRACKS = "## Cracks, pictures and what is found afterwards"
SERIAL = "## Your rig on serial lines"


def test_the_troubles_that_are_named_are_those_that_there_are():
    (told,) = re.findall(r"`--trouble NAME`.*?any other number", section(SERIAL), re.DOTALL)
    words = re.findall(r"`([\w-]+)`", told)
    ports = [word for word in words if word.endswith("-")]
    kinds = words[words.index("dropped") : words.index("unplugged") + 1]
    whole = words[words.index("unplugged") + 1 :]
    assert whole.pop().startswith(RANDOM)
    assert {f"{port}{kind}" for port in ports for kind in kinds} | {*whole} == {*SCRIPTS}


def test_what_bootstrap_is_asked_for_is_there():
    assert set(re.findall(r"bootstrap\.py (\w+)", README)) <= set(bootstrap.COMMANDS)


def test_the_job_and_the_two_commands_with_their_output_stand_within_twenty_lines():
    head = "\n".join(README.splitlines()[:20])
    for words in ("**The job.**", "bootstrap.py demo", "bootstrap.py test", "outcome   failure"):
        assert words in head


def test_the_picture_of_the_screen_is_there():
    (path,) = re.findall(r"!\[[^]]+\]\(([^)]+)\)", README)
    assert "<svg" in (ROOT / path).read_text(encoding="utf-8")


def test_every_command_is_shown_and_every_shown_command_is_there():
    shown = set(re.findall(r"nightrig (\w+)", README)) & {c.split()[1] for c in commands(README)}
    assert set(COMMANDS) - {"unload"} <= shown
    assert {c.split()[1] for c in commands(README) if c.startswith("nightrig")} <= set(COMMANDS)
    assert "| `unload` |" in README


def test_every_file_that_is_named_is_there():
    for path in re.findall(r"`(protocols/[\w/.-]+\.toml)`", README):
        assert (ROOT / path).is_file(), path


def test_every_place_that_is_linked_is_there():
    headings = {
        re.sub(r"[^\w -]", "", h).lower().replace(" ", "-")
        for h in re.findall(r"^#+ (.+)$", README, re.MULTILINE)
    }
    assert set(re.findall(r"\]\(#([\w-]+)\)", README)) <= headings


def test_every_shipped_protocol_is_named():
    names = {path.stem for path in (ROOT / "protocols").glob("*.toml")}
    assert {name for name in names if f"| `{name}` |" not in README} == set()


def test_every_channel_name_is_listed():
    for name in CHANNEL_UNITS:
        assert f"`{name}1`" in README or f"`{name}`" in README, name


# The tables at the end.


def rows(name: str) -> list[list[str]]:
    """Return the cells of a table between two marks, its head left out."""
    found = re.search(rf"<!-- {name} -->\n(.*?)<!-- /{name} -->", README, re.DOTALL)
    assert found is not None
    lines = found[1].splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split(" |")] for line in lines]


def ticked(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


def test_the_units_are_those_that_are_read():
    told = {quantity: set(ticked(units)) for quantity, units in rows("units")}
    assert told == {d: {u for u in units if u != "cycle"} for d, units in UNITS.items()}


def test_the_flags_are_those_that_are_recorded():
    told = {int(value): ticked(name)[0] for value, name, _ in rows("flags")}
    assert told == {f.value: str(f.name).lower().replace("_", "-") for f in Flag}


def test_every_outcome_stands_at_its_exit_code():
    codes = {int(code): text for code, text in rows("codes")}
    assert set(codes) == set(range(7))
    for outcome, code in EXIT_CODES.items():
        assert f"`{outcome}`" in codes[code]


PROTOCOL_TABLES: dict[str, type[Table]] = {
    "(top)": protocol_file.ProtocolFile,
    "[loading]": protocol_file.LoadingTable,
    "[[stage]] approach": protocol_file.ApproachTable,
    "[[stage]] static": protocol_file.StaticTable,
    "[[stage]] ramp": protocol_file.RampTable,
    "[[stage]] hold": protocol_file.HoldTable,
    "[[stage]] cyclic": protocol_file.CyclicTable,
    "[spray]": protocol_file.SprayTable,
    "if_unconfirmed": protocol_file.UnconfirmedTable,
    "[inspections]": protocol_file.InspectionsTable,
    "static_check": protocol_file.StaticCheckTable,
    "[baseline]": protocol_file.BaselineTable,
    "[failure]": protocol_file.FailureTable,
    "stiffness_loss": protocol_file.LossTable,
    "stiffness_step": protocol_file.StepTable,
    "residual_growth": protocol_file.ResidualTable,
    "load_short": protocol_file.ShortTable,
    "[full_rate]": protocol_file.FullRateTable,
    "[pauses]": people_tables.PausesTable,
    "[attendance]": people_tables.AttendanceTable,
    "[hours]": people_tables.HoursTable,
    "[accuracy]": protocol_file.AccuracyTable,
}
RIG_TABLES: dict[str, type[Table]] = {
    "(top)": wired_rig.WiredRigFile,
    "[actuator]": rig_file.ActuatorTable,
    "[[channel]]": wire_tables.WiredChannelTable,
    "[[port]]": wire_tables.PortTable,
    "[controller]": wire_tables.ControllerTable,
    "units": wire_tables.UnitsTable,
    "scale": wire_tables.ScaleTable,
    "from": wire_tables.FromTable,
    "[[modbus]]": wire_tables.ModbusTable,
    "watchdog": wire_tables.WatchdogTable,
    "points": wire_tables.PointTable,
    "[[instrument]]": wire_tables.InstrumentTable,
    "answers": wire_tables.AnswerTable,
    "[pump]": rig_file.PumpTable,
    "[warning_signal]": rig_file.WarningTable,
    "[channel.calibration]": calibration_tables.CalibrationTable,
    "[frame]": trust_tables.FrameTable,
    "[supply]": trust_tables.SupplyTable,
    "[dynamic_verification]": trust_tables.VerificationTable,
    "[proof_of_stopping]": trust_tables.ProofTable,
    "rows": trust_tables.ProvenTable,
    "[messages]": message_tables.MessagesTable,
    "[simulation]": rig_file.SimulationTable,
}
LAB_TABLES: dict[str, type[Table]] = {
    "(top)": lab_tables.LabFile,
    "[broker]": lab_tables.BrokerTable,
    "[broker.tls]": lab_tables.TlsTable,
    "[requests]": lab_tables.RequestsTable,
    "[mail]": lab_tables.MailTable,
    "[program]": lab_tables.ProgramTable,
    "[[person]]": lab_tables.PersonTable,
    "[[alert]]": lab_tables.AlertTable,
}
SERIES_TABLES: dict[str, type[Table]] = {
    "(top)": series_tables.SeriesFile,
    "[[life]]": series_tables.LifeTable,
    "[[ultimate]]": series_tables.UltimateTable,
    "[[hypothesis]]": series_tables.HypothesisTable,
    "[[observation]]": series_tables.ObservationTable,
}


def keys_told(name: str) -> dict[tuple[str, str], str]:
    """Return what is said to hold where a key is left out, by table and key."""
    told, table = {}, ""
    for first, keys, _, left_out in rows(name):
        table = first.replace("`", "") or table
        names, defaults = ticked(keys), ticked(left_out)
        for place, key in enumerate(names):
            told[table, key] = defaults[place] if len(defaults) == len(names) else left_out
    return told


def test_every_action_of_a_controller_is_listed_with_what_is_filled_in():
    told = {ticked(name)[0]: tuple(ticked(places)) for name, places, _ in rows("actions")}
    assert told == {a: tuple(f"{{{p}}}" for p in places) for a, places in ACTIONS.items()}


def test_every_role_of_a_point_is_listed():
    (what,) = [row[2] for row in rows("rig keys") if row[1] == "`what`"]
    assert set(ROLES) == set(ticked(what))


@pytest.mark.parametrize(
    ("name", "tables"),
    [
        ("keys", PROTOCOL_TABLES),
        ("rig keys", RIG_TABLES),
        ("lab keys", LAB_TABLES),
        ("series keys", SERIES_TABLES),
    ],
    ids=["protocol", "rig", "lab", "series"],
)
def test_every_key_is_listed_with_what_holds_where_it_is_left_out(name, tables):
    told = keys_told(name)
    known = {}
    for table, model in tables.items():
        for python_name, info in model.model_fields.items():
            key = info.alias or python_name
            known[table, key] = (model, info)
    in_model = {place for place in told if place[0] in tables}
    assert in_model == set(known)
    for place, (model, info) in known.items():
        if info.is_required() or place[1] in model.required:
            assert told[place] == "must", place
        elif "`" in told[place] or re.match(r'["\[{\d]|true|false', told[place]):
            value = tomllib.loads(f"k = {told[place].strip('`')}")["k"]
            kind: Any = info.annotation
            if info.metadata:
                kind = Annotated[kind, *info.metadata]
            held = TypeAdapter(kind).validate_python(value)
            assert held == info.get_default(call_default_factory=True), place
        else:
            assert info.get_default(call_default_factory=True) in (None, "", {}) or (
                place[1] == "simulation"
            ), place


def test_every_option_of_a_note_is_listed():
    told = re.findall(r"^\| `(--[a-z-]+)`", section(CRACKS), re.MULTILINE)
    known = [param.opts[0] for param in note.params if isinstance(param, click.Option)]
    assert sorted(told) == sorted(set(known) - {"--by", "--json"})


def test_the_words_of_a_crack_reading_are_listed():
    text = section(CRACKS)
    assert all(f"`{word}`" in text for word in (*FACES, *DIRECTIONS))
    assert f"up to {LARGEST / 1e6:.0f} MB" in text
    assert f"a width above {WIDEST * 1e3:.0f} mm" in text


def test_every_kind_of_alert_is_listed_with_what_quiet_hours_do():
    told = {ticked(kind)[0]: (about, hours) for kind, about, hours in rows("alert kinds")}
    assert list(told) == list(KINDS)
    for kind, (about, hours) in told.items():
        assert about == KINDS[kind]
        assert hours == ("waits" if kind in MOVABLE else "comes"), kind


def test_the_ports_where_a_lab_file_names_none_are_those_that_are_told():
    told = keys_told("lab keys")
    broker, mail = told["[broker]", "port"], told["[mail]", "port"]
    assert re.findall(r"\d+", broker) == [str(TLS_PORT), str(CLEAR_PORT)]
    assert re.findall(r"\d+", mail) == [str(port) for port in MAIL_PORTS.values()]


def test_every_key_of_a_series_plan_is_listed_with_what_holds_where_it_is_left_out():
    told = {
        key: said for (table, key), said in keys_told("series keys").items() if table == "[plan]"
    }
    fields = series_plan_table.SeriesPlanTable.model_fields
    assert set(told) == set(fields)
    for key, said in told.items():
        usual = getattr(SeriesPlan(), key)
        if usual is None:
            assert said == "as tested" or (key == "groups" and "hypothesis" in said), key
            continue
        info = fields[key]
        kind: Any = Annotated[info.annotation, *info.metadata] if info.metadata else info.annotation
        held = TypeAdapter(kind).validate_python(tomllib.loads(f"k = {said.strip('`')}")["k"])
        assert (tuple(held) if isinstance(held, list) else held) == pytest.approx(usual), key


def test_every_key_of_a_service_file_is_listed():
    tables = {
        "(top)": service_file.ServiceFile,
        "[[block]]": service_file.BlockTable,
        "[history]": service_file.HistoryTable,
    }
    told = keys_told("service keys")
    assert set(told) == {
        (name, key) for name, table in tables.items() for key in table.model_fields
    }
    whole = service_file.ServiceFile.model_fields
    for key in ("title", "of", "tested_ratio"):
        assert tomllib.loads(f"k = {told['(top)', key].strip('`')}")["k"] == whole[key].default
    assert {k for (t, k), said in told.items() if said == "must" and t == "(top)"} == set(
        service_file.ServiceFile.required
    )


def test_every_word_of_a_series_file_is_listed():
    what = {(table.strip("`"), keys): said for table, keys, said, _ in rows("series keys")}
    words = {keys: set(re.findall(r'`"([^"]+)"`', said)) for (_, keys), said in what.items()}
    assert words["`mode`"] == set(MODES)
    assert words["`quantity`"] == set(QUANTITIES)
    assert words["`looked_for`"] == set(SIGNS)
    assert {key for table, key in keys_told("series keys") if table == "[groups.NAME]"} == set(
        GROUP_KEYS
    )


def test_every_kind_of_event_is_listed_with_its_keys_and_what_they_are_where_left_out():
    told = {ticked(kind)[0]: keys for kind, keys, *_ in rows("event keys")}
    known = {}
    for table in get_args(get_args(events_tables.AnyEvent)[0]):
        for kind in get_args(table.model_fields["kind"].annotation):
            known[kind] = {info.alias or n: info for n, info in table.model_fields.items()}
    assert set(told) == set(known)
    for kind, fields in known.items():
        assert {"kind", "at", *ticked(told[kind])} == set(fields), kind
        for key, given in re.findall(r"`(\w+)` \((\"[^\"]+\"|false)\)", told[kind]):
            value = tomllib.loads(f"k = {given}")["k"]
            info = fields[key]
            read: Any = info.annotation
            if info.metadata:
                read = Annotated[read, *info.metadata]
            assert TypeAdapter(read).validate_python(value) == info.default, (kind, key)


def test_every_packaged_events_file_is_named():
    names = {path.stem for path in (ROOT / "protocols" / "events").glob("*.toml")}
    assert {name for name in names if f"| `{name}` |" not in README} == set()


def test_every_limit_of_a_protocol_and_every_stop_of_a_rig_file_is_listed():
    told = keys_told("keys")
    assert {key for table, key in told if table == "[limits.cyclic]"} == set(USUAL_LEARNED)
    assert {"persist", "cyclic", "deflection"} <= {k for t, k in told if t == "[limits]"}
    (stops,) = [row for row in rows("rig keys") if row[0] == "`[stops]`"]
    causes = list(ticked(stops[2]))
    assert causes == list(rig_file.STOPS)
    assert [rig_file.STOPS[cause] for cause in causes[:4]] == [0] * 4
