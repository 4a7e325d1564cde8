package dashboard_test

import (
	"context"
	"testing"
	"time"

	"rainhill/dashboard/chrome"
)

// TestClocks reads the clocks of three agents from the health page: one that drifts, one
// with a single exchange, one with none.
func TestClocks(t *testing.T) {
	s := newStage(t)
	s.view, s.health = scene(), ailing()
	ctx := chrome.Start(t)
	visit(t, s, ctx, "health")
	chrome.Wait(t, ctx, `document.querySelectorAll('.agent').length === 3`, 5*time.Second)
	// 95 % is 1.96 u: 0.214 ms gives 0.42, 0.66 ppm gives 1.3, 0.184 ms gives 0.36, 1.1 ppm gives 2.2.
	has(t, "the clock that drifts", agentText(t, ctx, "east-beam"), "clock offset −33.40 ± 0.42 ms", "drift 38.2 ± 1.3 ppm fast", "5 s ago, round trip 4.13 ms", "2 times since it started", "39 exchanges, 1 more not drawn")
	has(t, "the clock of one exchange", agentText(t, ctx, "north-beam"), "clock offset −1.53 ± 0.36 ms", "drift +0.4 ± 2.2 ppm", "never since it started")
	has(t, "the clock nobody knows", agentText(t, ctx, "engine-1"), "timed by arrival: no exchange yet")
	type drawing struct {
		Used, Spare, Lines int
		Label              string
	}
	d := chrome.Eval[drawing](t, ctx, `(a => ({Used: a.querySelectorAll('circle.used').length, Spare: a.querySelectorAll('circle.spare').length,
		Lines: a.querySelectorAll('path.fit').length, Label: a.querySelector('svg[role=img]').getAttribute('aria-label')}))(document.querySelector('.agent'))`)
	if d.Used != 39 || d.Spare != 10 || d.Lines != 1 {
		t.Errorf("the plot shows %+v, want 39 exchanges used, 10 spare, one line", d)
	}
	has(t, "the plot's label", d.Label, "Clock offset of east-beam", "39 exchanges since")
	if n := chrome.Eval[int](t, ctx, `document.querySelectorAll('.offsets').length`); n != 2 {
		t.Errorf("%d plots, want none for an agent that never exchanged", n)
	}
}

func agentText(t *testing.T, ctx context.Context, agent string) string {
	t.Helper()
	return chrome.Eval[string](t, ctx, `[...document.querySelectorAll('.agent')].find(a => a.querySelector('h3').textContent === '`+agent+`').innerText.replace(/\s+/g, ' ')`)
}
