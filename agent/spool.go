package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/internal/answer"
	"witnessmark/internal/capture"
	"witnessmark/internal/dispatch"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/spool"
)

func spoolCommand(s *session) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "spool",
		Short: "List the runs that wait for a collector",
		Long: `List the runs that wait for a collector. What an agent left unfinished when it
was killed is finished first, from what is on the disk.`,
		Example: "  agent spool\n  agent spool send",
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			sp, err := s.openSpool()
			if err != nil {
				return err
			}
			unfinished := s.recoverSpooled(sp)
			items, err := sp.Pending()
			return errors.Join(s.printSpool(items), err, unfinished)
		},
	}
	s.jsonFlag(cmd)
	cmd.AddCommand(spoolSendCommand(s))
	return cmd
}

// waiting is a spooled run as JSON shows it.
type waiting struct {
	ID           string `json:"id"`
	Rig          string `json:"rig"`
	Workload     string `json:"workload"`
	Destination  string `json:"destination"`
	RecordSHA256 string `json:"record_sha256"`
	Bytes        int64  `json:"bytes"`
	Played       string `json:"played,omitempty"`

	Demand *spool.Demand `json:"demand,omitempty"` // of witnesses, when one was made for it
	Held   *spool.Held   `json:"held,omitempty"`   // what a run that the collector has kept waits for
}

func waitingOf(it spool.Item) waiting {
	w := waiting{ID: it.ID, Destination: it.Destination, RecordSHA256: fmt.Sprintf("%x", it.Signed.SHA256()), Bytes: int64(len(it.Signed.Bytes)), Demand: it.Demand, Held: it.Held}
	for _, a := range it.Attachments {
		w.Bytes += a.Size
	}
	if r, err := record.Decode(it.Signed.Bytes); err == nil {
		w.Rig, w.Workload, w.Played = r.Rig, r.Workload.Name, r.Played
	}
	return w
}

func (s *session) printSpool(items []spool.Item) error {
	list := []waiting{}
	for _, it := range items {
		list = append(list, waitingOf(it))
	}
	if s.json {
		return screen.JSON(s.stdout, struct {
			Spooled []waiting `json:"spooled"`
		}{list})
	}
	if len(list) == 0 {
		screen.Warn(s.stderr, "agent", "no run waits")
		return nil
	}
	t := screen.NewTable("run", "rig", "workload", "for", "size", "")
	for _, w := range list {
		remark := heldText(w.Demand, w.Held)
		if w.Played != "" {
			remark = strings.TrimPrefix(remark+", played", ", ")
		}
		t.Row(w.ID, w.Rig, w.Workload, destinationText(w.Destination), screen.Bytes(w.Bytes), remark)
	}
	return t.Write(s.stdout)
}

// destinationText says where a run is to go.
func destinationText(d string) string {
	if d == spool.Embedded {
		return "the archive in the state folder"
	}
	return d
}

func spoolSendCommand(s *session) *cobra.Command {
	var w witnessFlags
	cmd := &cobra.Command{
		Use:   "send",
		Short: "Deliver the runs that wait",
		Long: `Deliver the runs that wait, each to the collector it was meant for. With
--collector only the runs for that collector are sent. A run that waits for
witnesses is let go once enough of them have signed. Which ones was said when it
began; --witness and --witnesses here take the place of that for all that wait, such
as when a witness is gone for good.

Exits 0 when none waits any longer, 1 when some still do, 4 when a collector did
not prove that its trail is the one that was seen before.`,
		Example: "  agent spool send\n  agent spool send --collector 127.0.0.1:7410 --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := s.readDemand(cmd, w); err != nil {
				return err
			}
			sp, err := s.openSpool()
			if err != nil {
				return err
			}
			return s.sendAll(cmd.Context(), sp)
		},
	}
	s.jsonFlag(cmd)
	w.register(cmd)
	return cmd
}

// sent is a delivered run as JSON shows it.
type sent struct {
	ID      string              `json:"id"`
	Receipt *answer.ReceiptJSON `json:"receipt"`
}

// late is a run that still waits, and why, as JSON shows it.
type late struct {
	waiting
	Why string `json:"why"`
}

// sendAll offers every destination its runs, once.
func (s *session) sendAll(ctx context.Context, sp *spool.Spool) error {
	errs := []error{s.recoverSpooled(sp)}
	items, err := sp.Pending()
	errs = append(errs, err)
	done, left := []sent{}, map[string]error{}
	for _, it := range items {
		if s.collector == "" || it.Destination == s.collector {
			left[it.ID] = nil
		}
	}
	asked, post := map[string]bool{}, s.post(sp)
	post.Instead = s.demand
	for _, it := range items {
		d := it.Destination
		if _, wanted := left[it.ID]; !wanted || asked[d] || ctx.Err() != nil {
			continue
		}
		asked[d] = true
		errs = append(errs, post.Flush(ctx, d, func(it spool.Item, got dispatch.Delivered) {
			if got.Err != nil {
				left[it.ID] = undelivered(it, got.Err)
				return
			}
			delete(left, it.ID)
			done = append(done, sent{it.ID, answer.ReceiptOf(got.Reply.Receipt)})
		}))
	}
	maps.DeleteFunc(left, func(id string, why error) bool { // what another agent has sent meanwhile
		_, err := sp.Receipt(id)
		return why == nil && err == nil
	})
	errs = append(errs, s.printSent(done, items, left))
	return s.stillLate(ctx, errs, left)
}

// stillLate tells each error once and gives the exit code.
func (s *session) stillLate(ctx context.Context, errs []error, left map[string]error) error {
	code := screen.Fine
	if len(left) > 0 {
		code = screen.Failed
	}
	told := map[string]bool{}
	for _, id := range slices.Sorted(maps.Keys(left)) {
		errs = append(errs, left[id])
		if dispatch.Unproved(left[id]) {
			code = screen.NotProved
		}
	}
	for _, err := range errs {
		if err == nil || errors.Is(err, context.Canceled) || told[err.Error()] {
			continue
		}
		told[err.Error()], code = true, max(code, screen.Failed)
		s.tell(err)
		screen.Fail(s.stderr, "agent", err)
	}
	if ctx.Err() != nil {
		code = screen.Interrupted
	}
	if code == screen.Fine {
		return nil
	}
	return screen.Exit(code, nil)
}

func (s *session) printSent(done []sent, items []spool.Item, left map[string]error) error {
	if s.json {
		still := []late{}
		for _, it := range items {
			if err, ok := left[it.ID]; ok {
				l := late{waitingOf(it), "not tried: the collector took none before it"}
				if err != nil {
					l.Why = err.Error()
				}
				still = append(still, l)
			}
		}
		return screen.JSON(s.stdout, struct {
			Delivered []sent `json:"delivered"`
			Waiting   []late `json:"waiting"`
		}{done, still})
	}
	if len(done)+len(left) == 0 {
		screen.Warn(s.stderr, "agent", "no run waits")
		return nil
	}
	for _, d := range done {
		if _, err := fmt.Fprintf(s.stdout, "%s delivered, entry %d of the trail\n", d.ID, d.Receipt.Index); err != nil {
			return err
		}
	}
	if len(left) > 0 {
		screen.Warn(s.stderr, "agent", screen.Count(len(left), "run")+" still waiting")
	}
	return nil
}

// recoverSpooled finishes what a killed agent left, where there is such.
func (s *session) recoverSpooled(sp *spool.Spool) error {
	key, err := s.loadKey()
	if err != nil {
		return err
	}
	return s.finishDrafts(&capture.Rig{Key: key, Spool: sp})
}

// finishDrafts finishes what a killed agent left and says so.
func (s *session) finishDrafts(r *capture.Rig) error {
	runs, err := r.Recover()
	for _, run := range runs {
		screen.Warn(s.stderr, "agent", "run "+run.ID+" was finished from what a stopped agent had left")
	}
	return err
}
