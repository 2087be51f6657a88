package wire

// The media types of bodies, either way.
const (
	MediaJSON     = "application/json"
	MediaYAML     = "application/yaml"
	MediaCSV      = "text/csv"
	MediaHTML     = "text/html"
	MediaJPEG     = "image/jpeg"
	MediaPNG      = "image/png"
	MediaPDF      = "application/pdf"
	MediaForm     = "application/x-www-form-urlencoded"
	MediaCalendar = "text/calendar"
	MediaEvents   = "text/event-stream"
	// A document a line; the second is another name for the first.
	MediaNDJSON    = "application/x-ndjson"
	MediaJSONLines = "application/jsonl"
	MediaProblem   = "application/problem+json"
	MediaSchema    = "application/schema+json"
)
