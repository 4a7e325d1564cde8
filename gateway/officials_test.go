package gateway

import (
	"net/http"
	"path/filepath"
	"testing"
	"time"
)

// Somebody who tries keys holds up nobody but himself.
func TestWrongKeysHoldUpNobody(t *testing.T) {
	k, _, err := OpenKey(filepath.Join(t.TempDir(), "official.key"))
	if err != nil {
		t.Fatal(err)
	}
	k.tries.Lock() // as while a key is being tried
	defer k.tries.Unlock()
	done := make(chan string)
	go func() {
		token, _ := k.signIn(k.Start(), "Ada")
		done <- k.who(&http.Request{Header: http.Header{"Cookie": {cookieName + "=" + token}}})
	}()
	select {
	case who := <-done:
		if who != "Ada" {
			t.Errorf("it is %q who signed in", who)
		}
	case <-time.After(time.Minute):
		t.Error("an official waits for who tries a key")
	}
}
