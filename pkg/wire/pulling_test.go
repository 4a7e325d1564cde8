package wire_test

import (
	"encoding/json"
	"strings"
	"testing"

	"rainhill/pkg/wire"
)

// What is wrong with an attempt is said by what it is, and not by an id that a page made up.
func TestAttemptsAreRefusedInPlainWords(t *testing.T) {
	for value, says := range map[string]string{
		`"load_g":200,"outcome":"flew"`:                                          `the outcome is "flew": want moved, struggled, stalled`,
		`"load_g":200,"outcome":"moved","load_is":"drag"`:                        `what the load is is "drag"`,
		`"load_g":2e9,"outcome":"moved"`:                                         "the load is 2000000000 g: want",
		`"load_g":-1,"outcome":"moved"`:                                          "the load is -1 g: want",
		`"load_g":200,"outcome":"moved","mass_g":3e9`:                            "the locomotive's mass is 3000000000 g",
		`"load_g":200,"outcome":"moved","speed_mm_s":-2`:                         "the speed is -2 mm/s",
		`"load_g":200,"outcome":"moved","set":"` + strings.Repeat("x", 65) + `"`: "name of the driver sets",
		`"outcome":"moved"`:                                                      "the load is missing",
		`"load_g":200`:                                                           "the outcome is missing: did it move",
		`"method":"static","before_g":10000000,"at_pull_g":20000000`:             "the scale shows 10000000 g before and 20000000 g during",
		`"method":"static","before_g":1500`:                                      "belong together",
		`"before_g":1500,"at_pull_g":1200`:                                       "of a static pull",
		`"method":"static","before_g":1500,"at_pull_g":1200,"load_g":300`:        "not both",
	} {
		d := wire.Event{Kind: wire.KindDecision, What: wire.WhatPull, By: "Ada", Value: json.RawMessage(`{"id":"pmwxevopi","locomotive":"wren",` + value + `}`)}
		if _, err := d.DecisionValue(); err == nil || !strings.Contains(err.Error(), says) || strings.Contains(err.Error(), "pmwxevopi") {
			t.Errorf("%s: %v, want %q", value, err, says)
		}
	}
}
