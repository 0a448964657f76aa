package record

import (
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// valid says whether every text of the message is UTF-8.
func valid(m protoreflect.Message) bool {
	return texts(m, func(s string) (string, bool) { return s, utf8.ValidString(s) })
}

// repair makes every text of the message UTF-8. Of two keys of a map that
// become the same one is lost.
func repair(m protoreflect.Message) {
	texts(m, func(s string) (string, bool) { return strings.ToValidUTF8(s, "\uFFFD"), true })
}

// texts puts f's answer in place of every text that differs from it, until f
// says false.
func texts(m protoreflect.Message, f func(string) (string, bool)) (ok bool) {
	ok = true
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.IsMap():
			ok = mapTexts(v.Map(), f)
		case fd.IsList() && fd.Kind() == protoreflect.StringKind:
			for i := range v.List().Len() {
				ok = ok && oneText(v.List().Get(i), f, func(v protoreflect.Value) { m.Mutable(fd).List().Set(i, v) })
			}
		case fd.IsList() && fd.Kind() == protoreflect.MessageKind:
			for i := range v.List().Len() {
				ok = ok && texts(v.List().Get(i).Message(), f)
			}
		case fd.Kind() == protoreflect.MessageKind:
			ok = texts(v.Message(), f)
		case fd.Kind() == protoreflect.StringKind:
			ok = oneText(v, f, func(v protoreflect.Value) { m.Set(fd, v) })
		}
		return ok
	})
	return ok
}

// mapTexts does the same for a map from text to text.
func mapTexts(m protoreflect.Map, f func(string) (string, bool)) (ok bool) {
	ok = true
	type entry struct{ old, key, value string }
	var bad []entry
	m.Range(func(k protoreflect.MapKey, v protoreflect.Value) bool {
		key, good := f(k.String())
		value, good2 := f(v.String())
		if key != k.String() || value != v.String() {
			bad = append(bad, entry{k.String(), key, value})
		}
		ok = good && good2
		return ok
	})
	for _, e := range bad {
		m.Clear(protoreflect.ValueOfString(e.old).MapKey())
		m.Set(protoreflect.ValueOfString(e.key).MapKey(), protoreflect.ValueOfString(e.value))
	}
	return ok
}

func oneText(v protoreflect.Value, f func(string) (string, bool), set func(protoreflect.Value)) bool {
	s, ok := f(v.String())
	if ok && s != v.String() {
		set(protoreflect.ValueOfString(s))
	}
	return ok
}
