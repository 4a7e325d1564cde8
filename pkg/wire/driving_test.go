package wire

import (
	"errors"
	"strings"
	"testing"
)

func TestThrottleIsChecked(t *testing.T) {
	for b, why := range map[string]string{
		`{"motor":"m1","duty_permille":-1000,"boot":"b","seq":1}`:                           "",
		`{"motor":"m1","duty_permille":1001,"boot":"b","seq":1}`:                            "-1000 to 1000",
		`{"motor":"M 1","duty_permille":0,"boot":"b","seq":1}`:                              "not an id",
		`{"motor":"m1","duty_permille":0,"seq":1}`:                                          "boot",
		`{"motor":"m1","duty_permille":0,"boot":"` + strings.Repeat("b", 65) + `","seq":1}`: "boot",
		`{"motor":"m1","duty_permille":0.5,"boot":"b","seq":1}`:                             "integer",
		`{"motor":"m1","duty_permille":0,"boot":"b","seq":-1}`:                              "seq",
		`not JSON`: "not JSON",
	} {
		_, err := DecodeThrottle([]byte(b))
		if (err == nil) != (why == "") || err != nil && (!errors.Is(err, ErrMalformed) || !strings.Contains(err.Error(), why)) {
			t.Errorf("%s: %v, want %q", b, err, why)
		}
	}
}

func TestDrivingAsksAreChecked(t *testing.T) {
	for b, why := range map[string]string{
		`{"do":"look"}`: "", `{"do":"stop"}`: "", `{"do":"hold","hold":"x"}`: "", `{"do":"release","hold":"x"}`: "",
		`{"do":"arm","motors":["m1"],"cautions":true}`: "",
		`{"do":"arm"}`:                "no motors",
		`{"do":"arm","motors":["M"]}`: "not an id",
		`{"do":"throttle","duties_permille":{"m1":500},"ramp_s":2}`: "",
		`{"do":"throttle"}`: "no duties_permille",
		`{"do":"throttle","duties_permille":{"m1":-1001}}`:         "-1000 to 1000",
		`{"do":"throttle","duties_permille":{"m1":1},"ramp_s":-1}`: "ramp_s",
		`{"do":"trim"}`: "trim is missing",
		`{"do":"trim","trim":{"locomotive":"wren","a":"front","b":"rear","on":true,"most_permille":100}}`:  "",
		`{"do":"trim","trim":{"locomotive":"wren","a":"front","b":"front","on":true}}`:                     "one set",
		`{"do":"trim","trim":{"locomotive":"wren","a":"front","b":"rear","on":true,"most_permille":1001}}`: "most_permille",
		`{"do":"sweep"}`: "sweep is missing",
		`{"do":"sweep","sweep":{"motors":["m1"],"from_permille":100,"to_permille":900,"steps":9,"hold_s":4}}`:   "",
		`{"do":"sweep","sweep":{"motors":["m1"],"from_permille":900,"to_permille":100,"steps":9,"hold_s":4}}`:   "from_permille",
		`{"do":"sweep","sweep":{"motors":["m1"],"from_permille":100,"to_permille":900,"steps":1,"hold_s":4}}`:   "2 to 50",
		`{"do":"sweep","sweep":{"motors":["m1"],"from_permille":100,"to_permille":900,"steps":9,"hold_s":0.1}}`: "0.5 to 60",
		`{"do":"sweep","sweep":{"motors":[],"from_permille":100,"to_permille":900,"steps":9,"hold_s":1}}`:       "1 to 16",
		`{"do":"whistle"}`: "want arm",
		`{"do":"stop","why":"` + strings.Repeat("x", 501) + `"}`: "500",
		`[]`: "object",
	} {
		_, err := DecodeDrivingAsk([]byte(b))
		if (err == nil) != (why == "") || err != nil && (!errors.Is(err, ErrMalformed) || !strings.Contains(err.Error(), why)) {
			t.Errorf("%s: %v, want %q", b, err, why)
		}
	}
}
