//! The page as a whole: its markup, with places for what the other files make. Every text is escaped on its way
//! in; only [`Markup`] passes as it stands.

use askama::Template;

use super::chart::Markup;
use super::event::{Card, Line};
use super::history::Known;
use super::map::Map;
use super::section::{Claimed, Found, LimitUsed, Metric, Silent, Trusted};
use super::trace::{Panel, Strip};

/// Heads of the columns of events in a line, after the first.
const LABELS: [&str; 5] = ["treat as", "verdict", "when", "reading", "because"];

/// Everything the page shows.
#[derive(Template)]
#[template(
    ext = "html",
    source = r##"<!doctype html>
<html lang="en-GB">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{{ policy }}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<meta name="color-scheme" content="light dark">
<title>{{ title }} – quality report</title>
<style>{{ style }}</style>
</head>
<body>
<a class="skip" href="#answer">Go to the answer</a>
<svg class="patterns" width="0" height="0" aria-hidden="true"><defs>
<pattern id="slanted" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="ground" width="7" height="7"/><path class="ink" d="M0 0V7"/></pattern>
<pattern id="dotted" width="8" height="8" patternUnits="userSpaceOnUse"><rect class="ground" width="8" height="8"/><path class="ink" d="M2 2h2M6 6h2"/></pattern>
<pattern id="striped" width="6" height="6" patternUnits="userSpaceOnUse"><path class="ink" d="M0 0V6"/></pattern>
<pattern id="crossed" width="5" height="5" patternUnits="userSpaceOnUse"><path class="ink" d="M0 0L5 5M5 0L0 5"/></pattern>
</defs></svg>
<header>
<p class="kind">Quality report on an engine test log</p>
<h1>{{ title }}</h1>
<p class="origin">{{ origin }}</p>
</header>
<nav aria-label="Contents"><ol>
<li><a href="#answer">Answer</a></li><li><a href="#claims">What may be said</a></li><li><a href="#withheld">What must not be concluded</a></li><li><a href="#events">Lean events</a></li><li><a href="#trust">Trust per channel</a></li><li><a href="#flags">Flags over time</a></li><li><a href="#traces">Traces</a></li><li><a href="#map">Mixture by operating point</a></li><li><a href="#health">Sensor health</a></li><li><a href="#tests">Tests</a></li><li><a href="#cautions">Cautions</a></li><li><a href="#provenance">Provenance</a></li>
</ol></nav>
<main>

<section id="answer" aria-labelledby="h-answer">
<h2 id="h-answer">1&ensp;Answer</h2>
<dl class="answer">
{% for line in answer %}<dt>{{ line.question }}</dt><dd{% if line.alarm %} class="alarm"{% endif %}>{{ line.words }}</dd>
{% endfor %}</dl>
</section>

<section id="claims" aria-labelledby="h-claims">
<h2 id="h-claims">2&ensp;What may be said</h2>
{% if claims.is_empty() %}<p>No claim is supported by this log.</p>{% else %}
<div class="wide" tabindex="0" role="group" aria-labelledby="h-claims"><table class="claims stack">
<thead><tr><th scope="col">status</th><th scope="col">statement</th><th scope="col" class="number">value</th><th scope="col" class="number">95 % interval</th><th scope="col">rests on</th></tr></thead>
<tbody>{% for claim in claims %}
<tr><td class="{{ claim.class }}"><span aria-hidden="true">{{ claim.symbol }}</span> {{ claim.status }}</td><th scope="row">{{ claim.text }}</th><td class="number" data-label="value">{{ claim.value }}</td><td class="number" data-label="95 % interval">{{ claim.interval }}</td><td data-label="rests on">{{ claim.because }}</td></tr>{% endfor %}
</tbody></table></div>{% endif %}
</section>

<section id="withheld" aria-labelledby="h-withheld">
<h2 id="h-withheld">3&ensp;What must not be concluded</h2>
{% if withheld.is_empty() %}<p>Nothing beyond what every log leaves open: a reading is the mix of all cylinders, and what no channel measured was not tested.</p>{% else %}
<ul class="withheld">{% for (what, why) in withheld %}
<li><strong>{{ what }}</strong> {{ why }}</li>{% endfor %}
</ul>{% endif %}
</section>

<section id="events" aria-labelledby="h-events">
<h2 id="h-events">4&ensp;Lean events</h2>
{% if let Some(because) = lean_not_evaluated %}<p><strong>Lean events could not be looked for:</strong> {{ because }}. That is not the same as none.</p>
{% else if cards.is_empty() && lines.is_empty() %}<p>No lean event was found in what this log can show.</p>{% endif %}
{% if !cards.is_empty() %}<p class="key">Charts of the reading: the line is what was logged; <svg class="sample" width="26" height="12" aria-hidden="true"><rect class="fan" width="26" height="12"/></svg> pale fans are where a healthy sensor could have gone from each reading; <svg class="sample" width="26" height="12" aria-hidden="true"><rect class="gas" width="26" height="12"/></svg> striped boxes are what the gas could have been; <svg class="sample" width="26" height="12" aria-hidden="true"><path class="limit" d="M0 6H26"/></svg> the dashed line is the full-load limit of the rig, lambda {{ limit }}; <svg class="sample" width="26" height="12" aria-hidden="true"><path class="stop" d="M0 6H26"/></svg> a dotted line is the lean end stop of the channel. The marked span is the event; its readings set the height of the chart, and a line that leaves the chart goes on outside it.</p>{% endif %}
{% for card in cards %}
<article class="event {{ card.class }}" id="event-{{ card.id }}" aria-labelledby="h-{{ card.id }}">
<h3 id="h-{{ card.id }}">{{ card.id }}&ensp;{{ card.heading }}</h3>
<p class="treat"><span aria-hidden="true">{{ card.symbol }}</span> {{ card.treat }}</p>
<p class="place">{{ card.place }}. <a class="zoom" href="#traces" data-from="{{ card.window[0] }}" data-to="{{ card.window[1] }}">Show among the traces</a></p>
<dl>
<dt>Reading</dt><dd>{{ card.reading }}</dd>
{% if !card.because.is_empty() %}<dt>Because</dt><dd>{{ card.because }}</dd>{% endif %}
{% if !card.next_check.is_empty() %}<dt>Next check</dt><dd><strong>{{ card.next_check }}</strong></dd>{% endif %}
</dl>
<figure>
<figcaption>{{ card.chart.name }}{% if !card.banded %} (no bands: too few or too many renewed readings, or no response of the sensor to draw them from){% endif %}</figcaption>
<div class="panel">{{ card.chart.scale }}{{ card.chart.area }}</div>
{% for chart in card.companions %}<p class="name">{{ chart.name }}</p>
<div class="panel">{{ chart.scale }}{{ chart.area }}</div>
{% endfor %}<div class="panel"><span></span>{{ card.times }}</div>
</figure>
{% if !card.evidence.is_empty() %}<div class="wide" tabindex="0" role="group" aria-label="Evidence of {{ card.id }}"><table class="evidence stack">
<caption>Evidence for (right, solid) and against (left, hatched) this verdict, log10 of the likelihood ratio</caption>
<thead><tr><th scope="col">evidence</th><th scope="col">what was seen</th><th scope="col" class="balance">against | for</th><th scope="col" class="number">log10 (odds)</th></tr></thead>
<tbody>{% for piece in card.evidence %}
<tr><th scope="row">{{ piece.name }}</th><td>{{ piece.text }}{% if !piece.value.is_empty() %} <span class="value">[{{ piece.value }}]</span>{% endif %} <span class="causes">Speaks {{ piece.causes }}.</span></td><td class="balance">{{ piece.bar }}<span class="spoken">{{ piece.side }}</span></td><td class="number" data-label="log10 (odds)">{{ piece.weight }}</td></tr>{% endfor %}
</tbody></table></div>{% else %}<p>No evidence carried weight.</p>{% endif %}
{% if !card.causes.is_empty() %}<p class="causes">Probability: {% for (cause, share) in card.causes %}{{ cause }} {{ share }}{% if !loop.last %}, {% endif %}{% endfor %}.</p>{% endif %}
{% if !card.silent.is_empty() %}<details><summary>Evidence that could not be evaluated ({{ card.silent.len() }})</summary>
<ul>{% for (name, why) in card.silent %}<li><b>{{ name }}</b>: {{ why }}</li>{% endfor %}</ul></details>{% endif %}
</article>{% endfor %}
{% if !lines.is_empty() %}<div class="wide" tabindex="0" role="group" aria-label="Lean events in a line"><table class="stack">
<caption>{{ lines_caption }}</caption>
<thead><tr><th scope="col">event</th><th scope="col">treat as</th><th scope="col">verdict</th><th scope="col">when</th><th scope="col">reading</th><th scope="col">because</th></tr></thead>
<tbody>{% for line in lines %}
<tr><th scope="row">{{ line.cells[0] }}</th>{% for cell in line.cells[1..] %}<td data-label="{{ LABELS[loop.index0] }}">{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</tbody></table></div>{% endif %}
</section>

<section id="trust" aria-labelledby="h-trust">
<h2 id="h-trust">5&ensp;Trust per channel</h2>
<p class="key">Score: probability that a sample that matters is within tolerance, with its bounds. The scale runs from 0.5, or less, at its left end to 1; the two thin lines stand at 0.80 (below: untrusted) and 0.95 (from there: trusted).</p>
<div class="wide" tabindex="0" role="group" aria-labelledby="h-trust"><table class="trust stack">
<thead><tr><th scope="col">channel</th><th scope="col">grade</th><th scope="col" class="number">score</th><th scope="col" class="balance">0.5 to 1</th><th scope="col">what was taken off</th></tr></thead>
<tbody>{% for row in trust %}
<tr><th scope="row">{{ row.name }}<span class="role">{{ row.role }}</span></th><td class="{{ row.class }}"><span aria-hidden="true">{{ row.symbol }}</span> {{ row.grade }}</td><td class="number" data-label="score">{{ row.score }}</td><td class="balance">{{ row.chart }}</td><td data-label="taken off">{% if row.deductions.is_empty() %}nothing{% else %}<ul>{% for (points, why) in row.deductions %}<li><b>{{ points }}</b> {{ why }}</li>{% endfor %}</ul>{% endif %}</td></tr>{% endfor %}
</tbody></table></div>
<p class="key">Judged on: {{ bases }}.</p>
</section>

<section id="flags" aria-labelledby="h-flags">
<h2 id="h-flags">6&ensp;Flags over time</h2>
<p class="key">Flags of UNESCO/IOC Manuals and Guides 54, worst of all tests per sample. A thin line: good. Lower part, hatched: suspect. Hollow: missing. Full height, solid: bad. Nothing: not evaluated. One sample is drawn wide enough to be seen.</p>
<div class="wide" tabindex="0" role="group" aria-labelledby="h-flags"><table class="strips stack">
<thead><tr><th scope="col">channel</th><th scope="col" class="time">from the start to the end of the log</th><th scope="col">samples</th></tr></thead>
<tbody>{% for strip in strips %}
<tr><th scope="row">{{ strip.name }}</th><td class="time">{{ strip.chart }}</td><td>{{ strip.words }}</td></tr>{% endfor %}
<tr class="axis"><td></td><td class="time">{{ axis }}</td><td></td></tr>
</tbody></table></div>
</section>

<section id="traces" aria-labelledby="h-traces">
<h2 id="h-traces">7&ensp;Traces</h2>
<p class="key">Drawn so that no sample between two dots of the page is lost: lowest and highest are kept. Marked spans are lean events (▲ a danger, ◇ not measured, pale: harmless). At the foot, flags: solid bad, hatched suspect.</p>
<div class="controls" hidden>
<button type="button" data-do="closer">Closer</button><button type="button" data-do="wider">Wider</button><button type="button" data-do="earlier">Earlier</button><button type="button" data-do="later">Later</button><button type="button" data-do="all">Whole log</button>
<output class="shown" aria-live="polite"></output>
<p class="hint">Drag across a trace or a strip of flags to look closer; all traces and flags follow. With the keyboard, when the traces have the focus: left and right move, + and − change the span, 0 shows the whole log, comma and full stop move the reading line.</p>
</div>
<div class="traces" tabindex="0" role="group" aria-label="Traces over time" data-duration="{{ duration }}">
<div class="panel"><span></span>{{ labels }}</div>
{% for panel in panels %}{% call one(panel) %}{% endcall %}{% endfor %}
<div class="panel"><span></span>{{ axis }}</div>
{% if !others.is_empty() %}<details><summary>{{ others.len() }} other channels</summary>
{% for panel in others %}{% call one(panel) %}{% endcall %}{% endfor %}<div class="panel"><span></span>{{ axis }}</div></details>{% endif %}
{% if undrawn > 0 %}<p>{{ undrawn }} more channels are not drawn; <code>--flags</code> writes all of them.</p>{% endif %}
{% if withheld_channels > 0 %}<p>{{ withheld_channels }} more are not drawn, because nobody says what they hold and it may be a place; naming a column in the rig file shows it.</p>{% endif %}
</div>
</section>

<section id="map" aria-labelledby="h-map">
<h2 id="h-map">8&ensp;Mixture by operating point</h2>
{% match map %}{% when Ok(map) %}
<div class="wide" tabindex="0" role="group" aria-labelledby="h-map"><table class="map">
<caption>{{ map.caption }}</caption>
<thead><tr><th scope="col">{{ map.corner }}</th>{% for column in map.columns %}<th scope="col">{{ column }}</th>{% endfor %}</tr></thead>
<tbody>{% for row in map.rows %}
<tr><th scope="row">{{ row.name }}</th>{% for cell in row.cells %}<td class="{{ cell.class }}" title="{{ cell.title }}">{{ cell.text }}</td>{% endfor %}</tr>{% endfor %}
</tbody></table></div>
{% when Err(because) %}<p>No map: {{ because }}.</p>{% endmatch %}
</section>

<section id="health" aria-labelledby="h-health">
<h2 id="h-health">9&ensp;Sensor health</h2>
{% if health.is_empty() %}<p>Nothing about the mixture sensor could be measured in this log.</p>{% else %}
<div class="wide" tabindex="0" role="group" aria-labelledby="h-health"><table class="stack">
<thead><tr><th scope="col">metric</th><th scope="col">status</th><th scope="col" class="number">value</th><th scope="col" class="number">95 % interval</th><th scope="col" class="number">limit</th><th scope="col" class="number">events</th><th scope="col">because</th></tr></thead>
<tbody>{% for row in health %}
<tr><th scope="row">{{ row.name }}</th><td class="{{ row.class }}"><span aria-hidden="true">{{ row.symbol }}</span> {{ row.status }}</td><td class="number" data-label="value">{{ row.value }}</td><td class="number" data-label="95 % interval">{{ row.interval }}</td><td class="number" data-label="limit">{{ row.limit }}</td><td class="number" data-label="events">{{ row.events }}</td><td>{{ row.because }}</td></tr>{% endfor %}
</tbody></table></div>{% endif %}
{% if let Some(past) = past %}<h3>What the ledger knew of sensor {{ past.serial }}</h3>
<p><strong>{{ past.answer }}</strong></p>
{% if !past.used.is_empty() %}<ul>{% for line in past.used %}<li>{{ line }}</li>{% endfor %}</ul>{% endif %}
<p class="key">One mark per session before this log, from left to right. Dashed: the limit.</p>
<div class="courses">{% for (name, chart, sentence) in past.metrics %}
<div><h4>{{ name }}</h4>
{{ chart }}
<p>{{ sentence }}</p></div>{% endfor %}
</div>{% endif %}
</section>

<section id="tests" aria-labelledby="h-tests">
<h2 id="h-tests">10&ensp;Tests</h2>
<h3 id="h-found">What was found</h3>
{% if found.is_empty() %}<p>No test found anything wrong.</p>{% else %}
<div class="wide" tabindex="0" role="group" aria-labelledby="h-found"><table class="stack">
<thead><tr><th scope="col">test</th><th scope="col">channel</th><th scope="col">flag</th><th scope="col" class="number">findings</th><th scope="col" class="number">first at</th><th scope="col">the longest of them</th></tr></thead>
<tbody>{% for row in found %}
<tr><th scope="row">{{ row.detector }}</th><td data-label="channel">{{ row.channel }}</td><td data-label="flag">{{ row.flag }}</td><td class="number" data-label="findings">{{ row.count }}</td><td class="number" data-label="first at">{{ row.first }}</td><td data-label="longest">{{ row.message }}</td></tr>{% endfor %}
</tbody></table></div>
{% if found_more > 0 %}<p>{{ found_more }} more kinds of finding are in the audit document.</p>{% endif %}{% endif %}
<h3 id="h-silent">What could not be tested</h3>
{% if silent.is_empty() %}<p>Every test ran on every channel it applies to.</p>{% else %}
<p class="key">A test that did not run found nothing because it did not look.</p>
<div class="wide" tabindex="0" role="group" aria-labelledby="h-silent"><table class="stack">
<thead><tr><th scope="col">test</th><th scope="col">channels</th><th scope="col">why</th></tr></thead>
<tbody>{% for row in silent %}
<tr><th scope="row">{{ row.detector }}</th><td data-label="channels">{{ row.channels }}</td><td data-label="why">{{ row.because }}</td></tr>{% endfor %}
</tbody></table></div>{% endif %}
</section>

<section id="cautions" aria-labelledby="h-cautions">
<h2 id="h-cautions">11&ensp;Cautions</h2>
{% if cautions.is_empty() && notes.is_empty() %}<p>None.</p>{% endif %}
{% if !cautions.is_empty() %}<ul>{% for caution in cautions %}<li>{{ caution }}</li>{% endfor %}</ul>{% endif %}
{% if !notes.is_empty() %}<h3>Noted while reading</h3><ul>{% for note in notes %}<li>{{ note }}</li>{% endfor %}</ul>{% endif %}
</section>

<section id="provenance" aria-labelledby="h-provenance">
<h2 id="h-provenance">12&ensp;Provenance</h2>
<div class="wide" tabindex="0" role="group" aria-labelledby="h-provenance"><table class="provenance"><thead class="spoken"><tr><th scope="col">item</th><th scope="col">value</th></tr></thead><tbody>{% for (name, value) in provenance %}
<tr><th scope="row">{{ name }}</th><td>{{ value }}</td></tr>{% endfor %}
</tbody></table></div>
<details class="limits"><summary>Limits used ({{ changed }})</summary>
<div class="wide" tabindex="0" role="group" aria-label="Limits used"><table>
<thead><tr><th scope="col">limit</th><th scope="col" class="number">value</th><th scope="col">from</th></tr></thead>
<tbody>{% for row in limits %}
<tr><th scope="row">{{ row.name }}</th><td class="number">{{ row.value }}</td><td>{{ row.from }}</td></tr>{% endfor %}
</tbody></table></div></details>
<p class="key">{{ embedded }}</p>
</section>
</main>
<script type="application/json" id="samples">{{ samples }}</script>
<script>{{ script }}</script>
</body>
</html>
{% macro one(panel) %}<div class="trace-head"><span class="name">{{ panel.name }}</span> <span class="what">{{ panel.what }}, {{ panel.range }}{% if !panel.sampled %}; not in full detail{% endif %}</span> <output class="reading"></output></div>
<div class="panel">{{ panel.scale }}{{ panel.area }}</div>
{% endmacro %}
"##
)]
pub(super) struct Page<'a> {
    /// The log's name.
    pub title: String,
    /// Content security policy.
    pub policy: String,
    /// Style sheet.
    pub style: Markup,
    /// Script.
    pub script: Markup,
    /// The samples, JSON.
    pub samples: Markup,
    /// The log in a line.
    pub origin: String,
    /// Questions and answers.
    pub answer: Vec<Answer>,
    /// Claims that may be made.
    pub claims: Vec<Claimed>,
    /// What must not be concluded, and why.
    pub withheld: Vec<(String, String)>,
    /// Why there are no lean events.
    pub lean_not_evaluated: Option<&'a str>,
    /// Full-load limit of the rig.
    pub limit: String,
    /// Events with a card.
    pub cards: Vec<Card>,
    /// Events in a line.
    pub lines: Vec<Line>,
    /// Why those have no card.
    pub lines_caption: String,
    /// Trust.
    pub trust: Vec<Trusted>,
    /// What trust was judged on.
    pub bases: String,
    /// Flags.
    pub strips: Vec<Strip>,
    /// Time axis of the whole log.
    pub axis: Markup,
    /// Names of events over the traces.
    pub labels: Markup,
    /// Length of the log, s.
    pub duration: String,
    /// Traces asked for first.
    pub panels: Vec<Panel<'a>>,
    /// The other traces.
    pub others: Vec<Panel<'a>>,
    /// Channels that are not drawn, because there are too many.
    pub undrawn: usize,
    /// Channels that are not drawn because their values may tell a place.
    pub withheld_channels: usize,
    /// Operating map, or why there is none.
    pub map: Result<Map, String>,
    /// Sensor health.
    pub health: Vec<Metric>,
    /// What a ledger knew of the sensor.
    pub past: Option<Known>,
    /// Findings by kind.
    pub found: Vec<Found>,
    /// Kinds of finding that are not shown.
    pub found_more: usize,
    /// Tests that did not run.
    pub silent: Vec<Silent>,
    /// Cautions.
    pub cautions: &'a [String],
    /// Notes of the reader.
    pub notes: Vec<String>,
    /// Where everything came from.
    pub provenance: Vec<(&'static str, String)>,
    /// Limits.
    pub limits: Vec<LimitUsed>,
    /// How many limits differ from their defaults, in words.
    pub changed: String,
    /// What of the samples is in the page.
    pub embedded: String,
}

/// A question with its answer.
pub(super) struct Answer {
    /// The question.
    pub question: &'static str,
    /// The answer.
    pub words: String,
    /// Whether it is a danger; the words say so too.
    pub alarm: bool,
}
