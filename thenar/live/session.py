"""A live session: the loop in a process of its own, and the side that drives it.

    session = start(loaded, Options(folder=Path("runs/bench")))
    session.send({"do": "set", "key": "law.settings.deadband_N", "value": 0.8})
    for message in session.poll(): ...
    session.close()

`send` never blocks and never raises: what can't be followed comes back as `refused`. `poll` gives what has come since
the last call, oldest first, and never waits. Every value is plain JSON: no NaN (null instead), no tuples.

Messages to the session. Each may have "ref", a text of at most 60 characters that comes back with the answer.

    {"do": "set", "key": KEY, "value": NUMBER}      a control of `about`, in its unit, within its low and high
    {"do": "fault", "kind": KIND, ...}              its other keys as `about` lists them (those of [[faults]]; no at_s)
    {"do": "stop"}                                  at once, whatever waits before it
    {"do": "rearm", "cause": "R33"}                 the operator names what has latched
    {"do": "pace", "factor": NUMBER}                0.25 to 20
    {"do": "pause"}  {"do": "resume"}               the loop's own clock stands still (a stop acts all the same)
    {"do": "restart"}                               this round again from its beginning: same noise, no live faults
    {"do": "next"}                                  the next round: same person, other noise
    {"do": "keep"}                                  the current setting is the one to compare with
    {"do": "compare"}                               kept and current from the start over the same noise (batch engine)
    {"do": "save", "name": NAME}                    NAME.toml in the session's folder; a-z, 0-9 and -

Messages from the session. "ref" is there when the message that it answers had one.

    {"is": "about", "title", "name", "watch", "wearers": [NAME], "wearer": NUMBER, "condition", "law", "seed",
        "duration_s", "control_rate_Hz", "trace_rate_Hz", "pace": {"low", "high", "value"},
        "controls": [{"key", "label", "unit", "low", "high", "step", "value", "group"}],  group: law, estimator, wearer
        "faults": [{"kind", "label", "fields": [{"name", "label", "unit", "low", "high", "value"}
                                                or {"name", "label", "choices": [..], "value"}]}],
        "columns": [{"name", "unit", "meaning"}],
        "limits": {"profile", "deviations": [TEXT], "values": [{"name", "label", "value", "unit"}]},
        "rules": [{"id": "R01", "title", "needs"}],    needs: what clears it once it has latched
        "folder", "caution"}
        first of all, and never again
    {"is": "round", "round": N, "repeat": N, "why": "begin" | "restart" | "next" | "ended"}
        a trial begins at t_us = 0; the rows and events that follow are its own
    {"is": "rows", "round": N, "from": ROW, "every": K, "columns": {NAME: [..]}, "dropped": ROWS}
        about 25 times a second of wall clock: rows ROW, ROW + K, .. of the trace. "dropped": rows lost before these
        because nobody polled (0 mostly). NAME: as in about.columns (t_us, target_N, force_N, .. reasons, trip)
    {"is": "event", "round": N, "t_us": T, "kind": KIND, ..}
        target {target_N} | fault, fault-ends {fault, live: bool, its keys} | trip {cause, title, needs} |
        cleared {cause} | armed | arming-refused {reasons: [ID], titles: [TEXT]} | law-fault {what} |
        change {key, value} | stopped {after_ms: from `send` to silence} | passed-over {ticks}: control ticks that the
        wall clock took away | slipped {by_ms}: the schedule was moved | pace {factor}
    {"is": "state", "round", "repeat", "t_us", "armed": bool, "latched": bool, "cause": "R33" or "", "title", "needs",
        "paused": bool, "pace", "mean_abs_error_N" (of this round so far, null before the first row),
        "lateness": {"ticks", "p50_ms", "p99_ms", "p999_ms", "worst_ms", "missed", "passed_over", "slipped_ms"},
        "values": {KEY: NUMBER}, "kept": {KEY: NUMBER} or null, "dropped_rows": ROWS}
        about 5 times a second, and after whatever changes it
    {"is": "compared", "repeat", "wearer", "engine": "batch" | "event", "t_s": [..], "target_N": [..],
        "kept": {"values": {..}, "force_N": [..]}, "current": {"values": {..}, "force_N": [..]},
        "measures": [{"name", "unit", "meaning", "kept": NUMBER or null, "current": NUMBER or null}]}
    {"is": "saved", "path", "changes_path", "command": "thenar run PATH", "trial": N, "says": TEXT}
    {"is": "done", "do": WORD}                      a message with a "ref" and no other answer was followed
    {"is": "refused", "message": what was sent, "why": TEXT}
    {"is": "ended", "why": TEXT}                    the loop's process is gone; nothing follows
"""

from __future__ import annotations
