package main

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"golang.org/x/mod/sumdb/note"

	"witnessmark/internal/audit"
	"witnessmark/internal/screen"
	"witnessmark/internal/trail"
)

func trailCommand(s *session) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "trail",
		Short: "Show what was seen of collectors' trails, and alarms about them",
		Long: `Show what was seen of collectors' trails. A collector keeps every record in an
append-only trail and signs its head. The agent remembers the key and the last
head of each, and takes no head that does not add to the last one seen. Such a
head raises an alarm: both signed heads are kept as evidence, the runs stay in
the spool, and every command says so until the alarm is accepted. Where a later head
proves more, the alarm takes that up and keeps both. Where witnesses are demanded
it shows how far each had signed the trail when it was last met.`,
		Example: "  agent trail\n  agent trail accept k3x9 --why \"restored from the copy of the night before\"",
		Args:    cobra.NoArgs,
		RunE:    func(*cobra.Command, []string) error { return s.listTrails() },
	}
	s.jsonFlag(cmd)
	cmd.AddCommand(acceptCommand(s))
	return cmd
}

func acceptCommand(s *session) *cobra.Command {
	var by, why string
	cmd := &cobra.Command{
		Use:   "accept ALARM --why TEXT",
		Short: "Close an alarm that is explained, and go on with the head that was refused",
		Long: `Close an alarm that is explained. If the collector still shows the head or the
key that was refused, it is the one that later heads must add to. The evidence
is kept, with the explanation.`,
		Example: "  agent trail accept k3x9 --why \"the keeper restored the copy of the night before\"",
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if strings.TrimSpace(why) == "" || !utf8.ValidString(why) || strings.ContainsFunc(why, unicode.IsControl) {
				return screen.Misuse("say in one line what the collector's keeper explained: --why TEXT", "accept: it needs a reason")
			}
			a, err := s.openAuditor()
			if err != nil {
				return err
			}
			if by == "" {
				by = userName()
			}
			al, err := a.Accept(args[0], by, strings.TrimSpace(why))
			if err != nil {
				return err
			}
			if s.json {
				return screen.JSON(s.stdout, al)
			}
			_, err = fmt.Fprintf(s.stdout, "alarm %s of %s is accepted; its evidence stays in %s\n", al.Name, screen.Clean(al.Collector), al.Folder)
			return err
		},
	}
	cmd.Flags().StringVar(&why, "why", "", "what explains it, as `TEXT`")
	cmd.Flags().StringVar(&by, "by", "", "who accepts it, as `NAME` (default: the user's name)")
	s.jsonFlag(cmd)
	return cmd
}

// userName is what the system calls whoever runs this.
func userName() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return "unknown"
}

func (s *session) openAuditor() (*audit.Auditor, error) {
	dir, err := s.path("trails")
	if err != nil {
		return nil, err
	}
	a, err := audit.Open(dir, time.Now)
	return a, inState(err)
}

// trailRow is a collector's trail as JSON shows it.
type trailRow struct {
	Collector string    `json:"collector"`
	Key       string    `json:"key"`
	Pinned    time.Time `json:"pinned"`
	Size      int64     `json:"size"` // of the last head seen
	Root      string    `json:"root"`
	Seen      time.Time `json:"seen"`
	Head      string    `json:"head"`
	Refused   string    `json:"refused,omitempty"` // the alarm of the last meeting

	Earlier []trail.Earlier `json:"earlier_keys,omitempty"` // that the key has followed

	Witnesses []audit.Witnessed `json:"witnesses,omitempty"` // who were asked for, and how far they had come
}

func rowOf(m audit.Memory) trailRow {
	r := trailRow{Collector: m.Collector, Key: m.Key, Pinned: m.Pinned, Seen: m.Seen, Head: m.Head, Refused: m.Refused, Earlier: m.Earlier, Witnesses: m.Witnessed}
	v, err := note.NewVerifier(m.Key)
	if err != nil {
		return r
	}
	if h, err := trail.OpenHead([]byte(m.Head), note.VerifierList(v)); err == nil {
		r.Size, r.Root = h.Size, h.Root.String()
	}
	return r
}

func (s *session) listTrails() error {
	dir, err := s.path("trails")
	if err != nil {
		return err
	}
	a := audit.At(dir, time.Now)
	all, err := a.Memories()
	if err != nil {
		return err
	}
	alarms, err := a.Alarms()
	if err != nil {
		return err
	}
	rows := []trailRow{}
	for _, m := range all {
		rows = append(rows, rowOf(m))
	}
	if s.json {
		for _, al := range alarms {
			s.tell(al)
		}
		return screen.JSON(s.stdout, struct {
			Trails []trailRow    `json:"trails"`
			Alarms []audit.Alarm `json:"alarms"`
		}{rows, append([]audit.Alarm{}, alarms...)})
	}
	if len(rows) == 0 {
		screen.Warn(s.stderr, "agent", "no collector was met")
		return nil
	}
	t := screen.NewTable("collector", "entries", "last seen (UTC)", "root", "key")
	for _, r := range rows {
		t.Row(destinationText(r.Collector), strconv.FormatInt(r.Size, 10), screen.At(r.Seen), r.Root, r.Key)
	}
	err = t.Write(s.stdout)
	if err == nil {
		err = s.printEarlier(rows)
	}
	if err == nil {
		err = s.printWitnesses(rows)
	}
	if err != nil || len(alarms) == 0 {
		return err
	}
	t = screen.NewTable("alarm", "collector", "raised (UTC)", "state", "why")
	for _, al := range alarms {
		state, why := "open", al.Reason()
		if x := al.Accepted; x != nil {
			state, why = "accepted by "+x.By, why+"; "+x.Why
		}
		t.Row(al.Name, destinationText(al.Collector), screen.At(al.At), state, why)
	}
	fmt.Fprintln(s.stdout)
	return t.Write(s.stdout)
}

// printEarlier shows the keys that those of the trails have followed.
func (s *session) printEarlier(rows []trailRow) error {
	t := screen.NewTable("collector", "earlier key", "up to entries", "followed")
	n := 0
	for _, r := range rows {
		for _, e := range r.Earlier {
			n++
			t.Row(destinationText(r.Collector), e.Key, strconv.FormatInt(e.Last, 10), followed(e))
		}
	}
	if n == 0 {
		return nil
	}
	fmt.Fprintln(s.stdout)
	return t.Write(s.stdout)
}

func followed(e trail.Earlier) string {
	if e.Word != "" {
		return "on the word of " + e.Word
	}
	return "by its own signature"
}

// tell notes that an alarm was told of.
func (s *session) tell(err error) {
	var al audit.Alarm
	if errors.As(err, &al) {
		if s.told == nil {
			s.told = map[string]bool{}
		}
		s.told[al.Name] = true
	}
}

// remind tells of the alarms that nobody has accepted, after whatever command.
func (s *session) remind() {
	dir, err := s.path("trails")
	if err != nil {
		return
	}
	if _, err := os.Stat(dir); err != nil {
		return
	}
	open, err := audit.At(dir, time.Now).Open()
	for _, al := range open {
		if !s.told[al.Name] {
			screen.Fail(s.stderr, "agent", al)
		}
	}
	if err != nil {
		screen.Fail(s.stderr, "agent", err)
	}
}
