package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/drift"
	"witnessmark/internal/local"
	"witnessmark/internal/screen"
)

func nowCommand(s *session) *cobra.Command {
	var socket string
	cmd := &cobra.Command{
		Use:     "now",
		Short:   "Show what the agent that is always on does now",
		Example: "  agent now\n  agent now --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return s.ask(cmd.Context(), socket, func(c *local.Client) error {
				now, err := c.Status(cmd.Context())
				if err != nil {
					return err
				}
				return s.printNow(now)
			})
		},
	}
	socketFlag(cmd, &socket)
	s.jsonFlag(cmd)
	return cmd
}

// nowView is an agent's state as JSON shows it; spans of time are in seconds, and
// null before there was any.
type nowView struct {
	Rig       string        `json:"rig"`
	Agent     string        `json:"agent"`
	Played    string        `json:"played,omitempty"`
	Up        float64       `json:"up_s"`
	Collector string        `json:"collector,omitempty"`
	Setup     string        `json:"setup,omitempty"`
	Standing  string        `json:"standing,omitempty"` // the collector's last word
	Flags     []drift.Flag  `json:"flags"`
	Beat      *float64      `json:"beat_s"` // since the collector answered one
	Facts     int           `json:"facts"`
	Unread    int           `json:"unread"`
	FactsAge  *float64      `json:"facts_s"`
	Pace      float64       `json:"pace_s"`
	Sampled   *float64      `json:"sampled_s"`
	Taken     uint64        `json:"taken"`
	Delivered uint64        `json:"delivered"`
	Answered  uint64        `json:"beats_answered"`
	Lost      uint64        `json:"beats_unanswered"`
	Waiting   nowWaiting    `json:"waiting"`
	Spans     []string      `json:"spans"`
	Troubles  []nowTroubled `json:"troubles"`
}

type nowWaiting struct {
	Runs   int        `json:"runs"`
	Bytes  int64      `json:"bytes"`
	Oldest *time.Time `json:"oldest"`
}

type nowTroubled struct {
	What  string    `json:"what"`
	Since time.Time `json:"since"`
}

func nowOf(n local.Status) nowView {
	age := func(d time.Duration) *float64 {
		if d < 0 {
			return nil
		}
		return new(d.Seconds())
	}
	v := nowView{
		Rig: n.Rig, Agent: n.Version, Played: n.Played, Up: n.Up.Seconds(), Collector: n.Collector, Setup: n.Setup,
		Standing: string(n.Judgement.Standing), Flags: append([]drift.Flag{}, n.Judgement.Flags...), Beat: age(n.BeatAge),
		Facts: n.Facts, Unread: n.Unread, FactsAge: age(n.FactsAge), Pace: n.Pace.Seconds(), Sampled: age(n.Sampled),
		Taken: n.Taken, Delivered: n.Delivered, Answered: n.BeatsAnswered, Lost: n.BeatsUnanswered,
		Waiting: nowWaiting{Runs: n.Waiting.Runs, Bytes: n.Waiting.Size}, Spans: append([]string{}, n.Spans...), Troubles: []nowTroubled{},
	}
	if !n.Waiting.Oldest.IsZero() {
		v.Waiting.Oldest = &n.Waiting.Oldest
	}
	for _, t := range n.Troubles {
		v.Troubles = append(v.Troubles, nowTroubled{t.What, t.Since})
	}
	return v
}

func (s *session) printNow(n local.Status) error {
	if s.json {
		return screen.JSON(s.stdout, nowOf(n))
	}
	t := screen.NewTable()
	row := func(what, how string) {
		if how != "" {
			t.Row(what, how)
		}
	}
	row("rig", n.Rig)
	row("played", n.Played)
	row("agent", fmt.Sprintf("%s, up for %s", n.Version, ago(n.Up)))
	row("sampling", fmt.Sprintf("every %v, last %s", n.Pace, since(n.Sampled)))
	row("facts", fmt.Sprintf("%d, %d of them unread, last read %s", n.Facts, n.Unread, since(n.FactsAge)))
	row("setup", n.Setup)
	if n.Collector == "" {
		row("collector", "none: runs go into the archive in the state folder")
	} else {
		row("collector", n.Collector+", answered "+since(n.BeatAge))
		row("standing", string(n.Judgement.Standing))
	}
	row("runs", fmt.Sprintf("%d made of logs, %d delivered, %d waiting (%s)", n.Taken, n.Delivered, n.Waiting.Runs, screen.Bytes(n.Waiting.Size)))
	for _, name := range n.Spans {
		row("span", name+" has begun")
	}
	for _, x := range n.Troubles {
		row("trouble", x.What+" (since "+screen.At(x.Since)+")")
	}
	if err := t.Write(s.stdout); err != nil || len(n.Judgement.Flags) == 0 {
		return err
	}
	fmt.Fprintln(s.stdout)
	return screen.Flags(s.stdout, n.Judgement.Flags)
}

func since(d time.Duration) string {
	if d < 0 {
		return "never"
	}
	return ago(d) + " ago"
}

func ago(d time.Duration) string {
	if d >= time.Minute {
		return d.Round(time.Second).String()
	}
	return screen.Seconds(d)
}
