package gateway

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// A service without a folder for photos says so, and writes nowhere.
func TestNoFolderNoPhotos(t *testing.T) {
	g := &Gateway{cfg: Config{Site: "line"}}
	for _, c := range []struct {
		method string
		does   http.HandlerFunc
		status int
	}{{"POST", g.putPhoto, http.StatusBadRequest}, {"GET", g.photo, http.StatusNotFound}, {"DELETE", g.dropPhoto, http.StatusBadRequest}} {
		w := httptest.NewRecorder()
		c.does(w, httptest.NewRequest(c.method, "/api/photo?locomotive=wren", strings.NewReader("x")))
		if w.Code != c.status || !strings.Contains(w.Body.String(), "keeps no photos: it was started without a folder") {
			t.Errorf("%s: %d %s", c.method, w.Code, w.Body)
		}
	}
	w := httptest.NewRecorder()
	g.photos(w, httptest.NewRequest("GET", "/api/photos", nil))
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"kept":false`) {
		t.Errorf("the list: %d %s", w.Code, w.Body)
	}
}
