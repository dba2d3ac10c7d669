"""Logs that bring the report and the page into their states: long, hostile, unreadable, huge."""

import math
from pathlib import Path


def long_log(folder: Path, minutes: int) -> Path:
    """32 channels at 50 Hz: an engine that pulls and lifts, and temperatures that drift."""
    path = folder / f"long_{minutes}min.csv"
    names = ["Time [s]", "Engine Speed [rpm]", "Throttle Position [%]", "Manifold Absolute Pressure [kPa]", "Lambda"]
    names += ["Battery Voltage [V]", "Coolant Temperature [°C]"] + [f"Thermocouple {n} [°C]" for n in range(1, 27)]
    with path.open("w", encoding="utf-8") as file:
        file.write(",".join(names) + "\n")
        for row in range(minutes * 60 * 50):
            t = row / 50
            pull = 0.5 + 0.5 * math.sin(t / 3)
            noise = ((row * 7919) % 101) / 101 - 0.5
            cells = [
                f"{t:.2f}",
                f"{2200 + 3800 * pull + 20 * noise:.0f}",
                f"{100 * pull:.1f}",
                f"{60 + 140 * pull + noise:.1f}",
                f"{1.0 - 0.17 * pull + 0.006 * noise:.3f}",
                f"{13.8 - 0.3 * pull + 0.04 * noise:.2f}",
                f"{80 + 8 * math.sin(t / 200):.1f}",
            ]
            cells += [f"{300 + 10 * n + 40 * math.sin(t / (20 + n)) + 3 * noise:.1f}" for n in range(26)]
            file.write(",".join(cells) + "\n")
    return path


STRIKE = "window.struck=1"


def hostile_log(folder: Path) -> Path:
    """Column names that would be markup, script, attributes or the end of the page's own script."""
    path = folder / "<img src=x onerror=window.struck=1>.csv"
    names = [
        "Time [s]",
        "Engine Speed [rpm]",
        "Lambda",
        f"<script>{STRIKE}</script>",
        f"</script><script>{STRIKE}</script>",
        f"<img src=x onerror={STRIKE}>",
        f"'\"><svg onload={STRIKE}>",
        f"]]>--><!--<base href=//x.invalid>{{{{{STRIKE}}}}}",
        f"javascript:{STRIKE}",
        "\u202egnp.exe",
    ]
    with path.open("w", encoding="utf-8") as file:
        file.write("\t".join(names) + "\n")
        for row in range(2000):
            cells = [row / 50, 3000 + row % 7, 0.85 + (row % 5) / 1000] + [(row * k) % 97 for k in range(3, 10)]
            file.write("\t".join(str(cell) for cell in cells) + "\n")
    return path


def hostile_rig(folder: Path) -> Path:
    path = folder / "hostile.toml"
    path.write_text(f'name = "</title><script>{STRIKE}</script>"\n[sensor]\nserial = "\\"><img src=x onerror={STRIKE}>"\n')
    return path


def bad_log(folder: Path) -> Path:
    """A letter that was saved as a log."""
    path = folder / "letter.csv"
    path.write_text("Dear club,\n\nthe log is on the other stick.\n")
    return path


def huge_log(folder: Path, size: int) -> Path:
    path = folder / "huge.csv"
    line = b"0.00,3000,0.85\n"
    path.write_bytes(b"time,rpm,lambda\n" + line * (size // len(line)))
    return path
