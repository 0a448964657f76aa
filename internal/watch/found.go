package watch

import (
	"errors"
	"io/fs"
	"os"
)

// ErrChanged is returned when a file is not the one that was found any more.
var ErrChanged = errors.New("the file changed after it was found")

// Open opens the file that was found, and nothing that was put in its place.
func (f Found) Open() (*os.File, error) {
	file, err := os.OpenFile(f.Path, os.O_RDONLY|plain, 0)
	if err != nil {
		if now, e := os.Lstat(f.Path); errors.Is(err, fs.ErrNotExist) || e == nil && !unchanged(f.Info, now) {
			return nil, ErrChanged
		}
		return nil, bare(err)
	}
	info, err := file.Stat()
	if err != nil || !unchanged(f.Info, info) {
		file.Close()
		return nil, ErrChanged
	}
	return file, nil
}
