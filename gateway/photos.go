package gateway

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/draw"
	"image/jpeg"
	_ "image/png" // the other kind that is taken
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"rainhill/pkg/wire"
)

// Photos of locomotives stay on this machine: they lie in a folder beside the
// journal, and go neither over the bus nor into the journal or an export.

const (
	mostPhoto   = 1 << 20 // bytes
	mostSide    = 1600    // px
	photoPrefix = "photo."
	photoSuffix = ".jpg"
)

var errNoPhotos = errors.New("this service keeps no photos: it was started without a folder for them")

// photoPath is where the photo of the request's locomotive lies. Ids hold no
// dot, so that site and id cannot be taken for others.
func (g *Gateway) photoPath(r *http.Request) (path, id string, err error) {
	if g.cfg.Photos == "" {
		return "", "", errNoPhotos
	}
	id = r.URL.Query().Get("locomotive")
	if !wire.ValidID(id) {
		return "", "", errors.New("locomotive is missing or not an id")
	}
	return filepath.Join(g.cfg.Photos, photoPrefix+g.site(r)+"."+id+photoSuffix), id, nil
}

// putPhoto takes the photo of a locomotive of the book.
func (g *Gateway) putPhoto(w http.ResponseWriter, r *http.Request) {
	path, id, err := g.photoPath(r)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	of, _, err := g.stock(r)
	if err != nil {
		g.failed(w, err)
		return
	}
	known := false
	for _, l := range of.Locomotives {
		known = known || l.ID == id
	}
	if !known {
		refuse(w, http.StatusBadRequest, fmt.Sprintf("there is no locomotive %q in the book", id))
		return
	}
	raw, err := io.ReadAll(r.Body)
	if err != nil {
		refuse(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("a photo has at most %d bytes", mostPhoto))
		return
	}
	clean, err := cleanPhoto(raw)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	if err := keepPhoto(path, clean); err != nil {
		refuse(w, http.StatusInternalServerError, "the photo could not be kept: "+err.Error())
		return
	}
	answer(w, http.StatusOK, wire.Reply{OK: true})
}

// cleanPhoto draws a JPEG or PNG anew, so that nothing but the picture is kept:
// neither the place it was taken at nor anything hidden behind it. What a
// camera wrote about how it was held is lost too; the page turns the picture
// upright before it sends it. Transparent becomes white.
func cleanPhoto(raw []byte) ([]byte, error) {
	head, kind, err := image.DecodeConfig(bytes.NewReader(raw))
	if err != nil || kind != "jpeg" && kind != "png" {
		return nil, errors.New("that is no JPEG or PNG picture")
	}
	if head.Width > mostSide || head.Height > mostSide || head.Width < 1 || head.Height < 1 {
		return nil, fmt.Errorf("the picture has %d by %d px, at most %d a side are taken", head.Width, head.Height, mostSide)
	}
	picture, _, err := image.Decode(bytes.NewReader(raw))
	if err != nil {
		return nil, fmt.Errorf("the picture is damaged: %w", err)
	}
	paper := image.NewRGBA(image.Rect(0, 0, head.Width, head.Height))
	draw.Draw(paper, paper.Bounds(), image.White, image.Point{}, draw.Src)
	draw.Draw(paper, paper.Bounds(), picture, picture.Bounds().Min, draw.Over)
	var out bytes.Buffer
	if err := jpeg.Encode(&out, paper, &jpeg.Options{Quality: 85}); err != nil {
		return nil, fmt.Errorf("writing the picture anew: %w", err)
	}
	return out.Bytes(), nil
}

// keepPhoto writes the whole file or none.
func keepPhoto(path string, b []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), "new-*")
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
	}
	return err
}

func (g *Gateway) photo(w http.ResponseWriter, r *http.Request) {
	path, _, err := g.photoPath(r)
	if err != nil {
		refuse(w, http.StatusNotFound, err.Error())
		return
	}
	f, err := os.Open(path)
	if err != nil {
		refuse(w, http.StatusNotFound, "there is no photo of this locomotive")
		return
	}
	defer func() { _ = f.Close() }()
	info, err := f.Stat()
	if err != nil {
		refuse(w, http.StatusInternalServerError, "the photo could not be read: "+err.Error())
		return
	}
	h := w.Header()
	h.Set("Content-Type", "image/jpeg")
	h.Set("Cache-Control", "no-cache")
	h.Set("ETag", `"`+versionOf(info)+`"`)
	http.ServeContent(w, r, "", time.Time{}, f)
}

// versionOf differs for every photo that was ever put.
func versionOf(f fs.FileInfo) string {
	return fmt.Sprintf("%x-%x", f.ModTime().UnixNano(), f.Size())
}

func (g *Gateway) dropPhoto(w http.ResponseWriter, r *http.Request) {
	path, _, err := g.photoPath(r)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		refuse(w, http.StatusInternalServerError, "the photo could not be removed: "+err.Error())
		return
	}
	answer(w, http.StatusOK, wire.Reply{OK: true})
}

// photos lists which locomotives have one, each with its version, so that a page
// asks for no others and sees a new one. Kept is false where none can be.
func (g *Gateway) photos(w http.ResponseWriter, r *http.Request) {
	have := map[string]string{}
	begin := photoPrefix + g.site(r) + "."
	entries, err := os.ReadDir(g.cfg.Photos)
	if err != nil && g.cfg.Photos != "" && !errors.Is(err, fs.ErrNotExist) {
		refuse(w, http.StatusInternalServerError, "the photos could not be listed: "+err.Error())
		return
	}
	for _, e := range entries {
		id, ours := strings.CutPrefix(strings.TrimSuffix(e.Name(), photoSuffix), begin)
		if !ours || !wire.ValidID(id) {
			continue
		}
		if info, err := e.Info(); err == nil {
			have[id] = versionOf(info)
		}
	}
	answer(w, http.StatusOK, map[string]any{"kept": g.cfg.Photos != "", "photos": have})
}
