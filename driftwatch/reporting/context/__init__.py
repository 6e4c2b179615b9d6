"""What each report says, as frozen objects: the templates, the JSON files and the web page share them.

Everything here is ready to show: sentences, dates, shares and chart data. Keys are documented in
`docs/report-context.md`; `driftwatch.reporting.parts.to_plain` gives the JSON form.
"""
