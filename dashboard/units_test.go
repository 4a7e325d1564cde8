package dashboard_test

import (
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"

	"rainhill/dashboard"
	"rainhill/dashboard/chrome"
)

func assets() (fs.FS, string, error) { return dashboard.Assets() }

// TestUnits runs the modules' own tests in a browser: every exported function
// named test... of testdata/units is one.
func TestUnits(t *testing.T) {
	ctx := chrome.Start(t)
	srv := httptest.NewServer(http.FileServer(http.Dir(".")))
	defer srv.Close()
	chrome.Do(t, ctx, "opening an empty page", chromedp.Navigate(srv.URL+"/testdata/units/"))
	files, err := filepath.Glob("testdata/units/*.js")
	if err != nil || len(files) < 3 {
		t.Fatalf("found %d files of unit tests, %v", len(files), err)
	}
	ran := 0
	for _, f := range files {
		for _, name := range chrome.Eval[[]string](t, ctx, fmt.Sprintf(`import('/%s').then(m => Object.keys(m).filter(k => k.startsWith('test')))`, f)) {
			ran++
			t.Run(filepath.Base(f)+"/"+name, func(t *testing.T) {
				js := fmt.Sprintf(`import('/%s').then(m => m[%q]()).then(() => '', e => String(e.stack ?? e))`, f, name)
				if fault := chrome.Eval[string](t, ctx, js); fault != "" {
					t.Error(fault)
				}
			})
		}
	}
	if ran < 20 {
		t.Errorf("only %d unit tests were found", ran)
	}
}
