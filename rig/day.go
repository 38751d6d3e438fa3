package rig

import "fmt"

// A Record is something to shoot besides the takes.
type Record struct {
	What string `json:"what"`
	How  string `json:"how"`
	Why  string `json:"why"`
}

// A Step is one thing to do on the day, in its order.
type Step struct {
	When string `json:"when"` // before the first take, or after it
	Do   string `json:"do"`
}

func records(s Setup) []Record {
	seconds := fmt.Sprintf("%.0f frames and more", 16.0)
	return []Record{
		{"Chart", "The printed chart, flat on a board where the performer will stand, lit so that both cameras see it; then near each corner of the frame.", "The geometry between the cameras, over the whole frame."},
		{"Gray and white card", "In the set light with the sodium lamps off, both cameras, at the performer's place.", "The color camera's balance, and set light in the band (m)."},
		{"Dark plates", "Both lenses capped, " + seconds + ", at the takes' shutter and gain.", "The cameras' own pedestals."},
		{"Clean plates", "Nobody there, set lights as in the take but off the screen, lamps warm, " + seconds + ", both cameras.", "The screen as both cameras see it (S and K)."},
		{"Test shot", fmt.Sprintf("Two seconds (%.0f frames): the performer waves an arm before the lit screen and leaves part of it open.", 2*s.FPS), "For twinplate check, before the set is struck."},
		{"Clean plates again", "After the last take of the setup, nothing moved.", "What the lamps did meanwhile, and insurance."},
	}
}

func day() []Step {
	return []Step{
		{"90 min before", "Rig lamps and screen under a white work light. Mains work by licensed people only."},
		{"60 min before", "Cameras on the splitter, locked together; filters in; frames, shutters and gains as planned; one trigger or one time code."},
		{"40 min before", "Focus both cameras on one target at the performer's place. Shoot the chart."},
		{"30 min before", "Sodium lamps on, and left on: about ten minutes until color and level can be judged (common practice)."},
		{"25 min before", "Set lights: meter them at the performer's place with the sodium lamps flagged. Shoot the cards."},
		{"15 min before", "Lamps warm: set the band camera's iris by its own picture so that the screen is bright and nowhere clipped. Flag the lamps off the performer."},
		{"10 min before", "Dark plates, then clean plates."},
		{"5 min before", "Test shot; read it with twinplate check; mend what it names."},
		{"Takes", "Touch neither irises, gains, focus nor cameras between clean plates and takes. Where one had to be touched, shoot clean plates anew."},
		{"After", "Clean plates again. Let the lamps cool before anybody moves them."},
	}
}

// Cautions returns what a crew must know about sodium lamps.
func Cautions() []string {
	return []string{
		"Lamp heads and ballasts run hot and at mains or higher voltage.",
		"Sodium burns on contact with water when a tube breaks.",
		"Under one-line light colors cannot be told apart, so color-coded wiring, gels and safety signs cannot be read: keep a white work light for rigging.",
		"Flicker can trouble photosensitive people.",
		"Follow the lamp maker's instructions and local electrical and set-safety rules, and leave mains work to licensed people.",
	}
}
