//go:build !linux

package durable

import (
	"errors"
	"os"
)

func nameless(string, os.FileMode) (*os.File, error) { return nil, errors.ErrUnsupported }

func placeOf(f *os.File) string { return f.Name() }

func linkOf(*os.File, string) error { return errors.ErrUnsupported }

func moveNew(string, string) error { return errors.ErrUnsupported }
