// Coeval for C++17: owners for the handles of coeval.h, failures as exceptions. Header only.
//
// Objects own their handles and can be moved, not copied. The rules of coeval.h apply, also those on
// threads. get() returns the C handle, for functions that are not wrapped here.
#ifndef COEVAL_HPP
#define COEVAL_HPP

#include <cstdint>
#include <exception>
#include <functional>
#include <memory>
#include <optional>
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

#include "coeval.h"

namespace coeval {

/// A failure: what() is one line, "path: what was wrong; what to do".
class Error : public std::runtime_error {
public:
    explicit Error(const coeval_error *error)
        : std::runtime_error(coeval_error_text(error)), status_(coeval_error_status(error)),
          message_(coeval_error_message(error)), path_(text(coeval_error_path(error))),
          remedy_(text(coeval_error_remedy(error))) {}
    /// What went wrong, for programs; in words by coeval_status_text.
    coeval_status status() const noexcept { return status_; }
    /// What was wrong, without path and remedy.
    const std::string &message() const noexcept { return message_; }
    /// The file that the failure is about; empty where there is none.
    const std::string &path() const noexcept { return path_; }
    /// What the user can do about it; empty where nothing is known.
    const std::string &remedy() const noexcept { return remedy_; }

private:
    static std::string text(const char *text) { return text ? text : ""; }

    coeval_status status_;
    std::string message_, path_, remedy_;
};

/// Version of the library that is loaded, such as "0.1.0".
inline std::string version() { return coeval_version(); }
/// Whether the library that is loaded is the one that this header belongs to; if not, nothing else may be called.
inline bool fits_library() { return coeval_abi_version() == COEVAL_ABI_VERSION; }

/// Receives progress; returns false to stop the work, which throws an Error with COEVAL_CANCELLED.
/// It may be called from another thread, one call at a time. What it throws is thrown by the call that works.
using Progress = std::function<bool(const char *stage, double done)>;

namespace detail {

template <typename T, void (*Free)(T **)> struct Deleter {
    void operator()(T *handle) const noexcept { Free(&handle); }
};

template <typename T, void (*Free)(T **)> using Handle = std::unique_ptr<T, Deleter<T, Free>>;

/// Calls `work` with an error handle and throws what it reports.
template <typename Work> void check(Work &&work) {
    Handle<coeval_error, coeval_error_free> error(coeval_error_new());
    const coeval_status status = work(error.get());
    if (status != COEVAL_OK) {
        throw Error(error.get());
    }
}

/// Calls `work` with a place for a handle and an error handle, and returns the owner of the handle.
template <typename T, void (*Free)(T **), typename Work> Handle<T, Free> make(Work &&work) {
    T *made = nullptr;
    check([&](coeval_error *error) { return work(&made, error); });
    return Handle<T, Free>(made);
}

/// Lists: asks for the number of items, then for the items.
template <typename Item, typename Copy> std::vector<Item> list(Copy &&copy) {
    std::vector<Item> items(copy(nullptr, std::size_t{0}));
    items.resize(copy(items.data(), items.size()));
    return items;
}

/// Structs with struct_size: says how much of it this header knows, and lets the library fill it.
template <typename Struct, typename Fill> Struct filled(Fill &&fill) {
    Struct made{};
    made.struct_size = sizeof made;
    check([&](coeval_error *error) { return fill(&made, error); });
    return made;
}

/// As many of them as there are.
template <typename Struct, typename Fill> std::vector<Struct> all_filled(std::size_t count, Fill &&fill) {
    std::vector<Struct> all;
    for (std::size_t i = 0; i < count; ++i) {
        all.push_back(filled<Struct>([&](auto out, auto error) { return fill(i, out, error); }));
    }
    return all;
}

inline std::string text(const char *text) { return text ? text : ""; }

/// What is used up by finishing it: it stays where that fails.
template <typename T, typename Finish> auto finish(T &handle, Finish &&finish) {
    auto *given = handle.release();
    try {
        auto made = finish(&given);
        handle.reset(given);
        return made;
    } catch (...) {
        handle.reset(given);
        throw;
    }
}

/// Owns a handle of options, which are set by the C function that does it.
template <typename T, T *(*New)(), void (*Free)(T **)> class Options {
public:
    Options() : handle_(New()) {}
    /// `options.set(coeval_mix_options_set_loudness, -18.0, -1.0)`
    template <typename Function, typename... Values> Options &set(Function function, const Values &...values) {
        check([&](auto error) { return function(get(), values..., error); });
        return *this;
    }
    T *get() const noexcept { return handle_.get(); }

private:
    Handle<T, Free> handle_;
};

/// Takes a C++ listener through C: nothing that it throws crosses the library.
struct Listener {
    const Progress &progress;
    std::exception_ptr thrown;

    static std::int32_t call(void *user, const char *stage, double done) noexcept {
        auto *self = static_cast<Listener *>(user);
        try {
            return self->progress(stage, done) ? 0 : 1;
        } catch (...) {
            self->thrown = std::current_exception();
            return 1;
        }
    }
};

template <typename T, void (*Free)(T **), typename Work>
Handle<T, Free> make_listening(const Progress &progress, Work &&work) {
    Listener listener{progress, nullptr};
    try {
        return make<T, Free>([&](T **out, coeval_error *error) {
            return work(progress ? &Listener::call : nullptr, &listener, out, error);
        });
    } catch (const Error &) {
        if (listener.thrown) {
            std::rethrow_exception(listener.thrown);
        }
        throw;
    }
}

} // namespace detail

/// A map from one file's time to the timeline.
class ClockMap {
public:
    explicit ClockMap(detail::Handle<coeval_clock_map, coeval_clock_map_free> handle) : handle_(std::move(handle)) {}
    explicit ClockMap(const std::vector<coeval_knot> &knots)
        : handle_(detail::make<coeval_clock_map, coeval_clock_map_free>([&](auto out, auto error) {
              return coeval_clock_map_from_knots(knots.data(), knots.size(), out, error);
          })) {}
    static ClockMap linear(double offset_s, double drift_ppm, double duration_s) {
        return ClockMap(detail::make<coeval_clock_map, coeval_clock_map_free>([&](auto out, auto error) {
            return coeval_clock_map_linear(offset_s, drift_ppm, duration_s, out, error);
        }));
    }
    double to_timeline(double file_s) const { return coeval_clock_map_to_timeline(get(), file_s); }
    double to_file(double timeline_s) const { return coeval_clock_map_to_file(get(), timeline_s); }
    std::vector<coeval_knot> knots() const {
        return detail::list<coeval_knot>([&](auto out, auto n) { return coeval_clock_map_knots(get(), out, n); });
    }
    static ClockMap from_json(const std::string &json) {
        return ClockMap(detail::make<coeval_clock_map, coeval_clock_map_free>(
            [&](auto out, auto error) { return coeval_clock_map_from_json(json.c_str(), out, error); }));
    }
    std::string to_json() const {
        std::string json(coeval_clock_map_to_json(get(), nullptr, 0), ' ');
        coeval_clock_map_to_json(get(), json.data(), json.size() + 1);
        return json;
    }
    coeval_clock_map *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_clock_map, coeval_clock_map_free> handle_;
};

/// One file's sound, ready to be compared.
class Track {
public:
    explicit Track(detail::Handle<coeval_track, coeval_track_free> handle) : handle_(std::move(handle)) {}
    double duration_s() const { return coeval_track_duration_s(get()); }
    bool is_silent() const { return coeval_track_is_silent(get()) != 0; }
    static Track from_bytes(const std::vector<std::uint8_t> &bytes) {
        return Track(detail::make<coeval_track, coeval_track_free>([&](auto out, auto error) {
            return coeval_track_from_bytes(bytes.data(), bytes.size(), out, error);
        }));
    }
    std::vector<std::uint8_t> to_bytes() const {
        return detail::list<std::uint8_t>([&](auto out, auto n) { return coeval_track_to_bytes(get(), out, n); });
    }
    coeval_track *get() const noexcept { return handle_.get(); }
    coeval_track *release() noexcept { return handle_.release(); }

private:
    detail::Handle<coeval_track, coeval_track_free> handle_;
};

/// Makes a Track from blocks of sound.
class TrackBuilder {
public:
    TrackBuilder(double rate_hz, std::size_t channels)
        : handle_(detail::make<coeval_track_builder, coeval_track_builder_free>([&](auto out, auto error) {
              return coeval_track_builder_new(rate_hz, channels, out, error);
          })) {}
    /// Takes the next `frames` frames, interleaved.
    void push(const float *interleaved, std::size_t frames) {
        detail::check([&](auto error) {
            return coeval_track_builder_push_interleaved(get(), interleaved, frames, error);
        });
    }
    /// Takes the next `frames` frames, one pointer for each channel.
    void push(const float *const *channels, std::size_t frames) {
        detail::check([&](auto error) { return coeval_track_builder_push_planar(get(), channels, frames, error); });
    }
    /// The finished track. The builder is used up.
    Track finish() {
        coeval_track_builder *builder = handle_.release();
        try {
            return Track(detail::make<coeval_track, coeval_track_free>([&](auto out, auto error) {
                return coeval_track_builder_finish(&builder, out, error);
            }));
        } catch (...) {
            handle_.reset(builder);
            throw;
        }
    }
    coeval_track_builder *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_track_builder, coeval_track_builder_free> handle_;
};

/// How two tracks are compared.
struct PairOptions {
    /// Largest difference of the two clocks that is searched, ppm, 0 to 1200; none: the library's default.
    std::optional<double> max_drift_ppm;
    /// Where the offset is known to lie: lowest and highest value in seconds.
    std::optional<std::pair<double, double>> offset_range_s;
    /// Threads of one comparison, 0 to 1024; 0: as many as the machine has cores.
    std::size_t threads = 0;

    detail::Handle<coeval_pair_options, coeval_pair_options_free> handle() const {
        detail::Handle<coeval_pair_options, coeval_pair_options_free> made(coeval_pair_options_new());
        if (max_drift_ppm) {
            detail::check([&](auto error) {
                return coeval_pair_options_set_max_drift_ppm(made.get(), *max_drift_ppm, error);
            });
        }
        detail::check([&](auto error) { return coeval_pair_options_set_threads(made.get(), threads, error); });
        if (offset_range_s) {
            detail::check([&](auto error) {
                return coeval_pair_options_set_offset_range_s(
                    made.get(), offset_range_s->first, offset_range_s->second, error);
            });
        }
        return made;
    }
};

/// Result of comparing two tracks: a placement, or the reason why there is none.
class Pair {
public:
    explicit Pair(detail::Handle<coeval_pair, coeval_pair_free> handle) : handle_(std::move(handle)) {}
    coeval_pair_summary summary() const {
        coeval_pair_summary summary;
        summary.struct_size = sizeof summary;
        detail::check([&](auto error) { return coeval_pair_get_summary(get(), &summary, error); });
        return summary;
    }
    bool placed() const { return summary().placed != 0; }
    /// Why they have no placement; empty when they have one.
    std::string reason() const {
        return detail::text(coeval_pair_reason(get()));
    }
    /// From b's time to a's time.
    ClockMap clock_map() const {
        return ClockMap(detail::make<coeval_clock_map, coeval_clock_map_free>(
            [&](auto out, auto error) { return coeval_pair_clock_map(get(), out, error); }));
    }
    std::vector<coeval_knot> knots() const {
        return detail::list<coeval_knot>([&](auto out, auto n) { return coeval_pair_knots(get(), out, n); });
    }
    std::vector<coeval_pair_jump> jumps() const {
        return detail::list<coeval_pair_jump>([&](auto out, auto n) { return coeval_pair_jumps(get(), out, n); });
    }
    std::vector<coeval_pair_stretch> stretches() const {
        return detail::list<coeval_pair_stretch>(
            [&](auto out, auto n) { return coeval_pair_stretches(get(), out, n); });
    }
    std::vector<coeval_evidence> evidence() const {
        return detail::list<coeval_evidence>([&](auto out, auto n) { return coeval_pair_evidence(get(), out, n); });
    }
    static Pair from_json(const std::string &json) {
        return Pair(detail::make<coeval_pair, coeval_pair_free>(
            [&](auto out, auto error) { return coeval_pair_from_json(json.c_str(), out, error); }));
    }
    std::string to_json() const { return coeval_pair_to_json(get()); }
    coeval_pair *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_pair, coeval_pair_free> handle_;
};

/// Compares two tracks, and finds the offset and drift of b against a.
inline Pair align_pair(const Track &a, const Track &b, const PairOptions &options = {},
                       const Progress &progress = nullptr) {
    const auto how = options.handle();
    return Pair(detail::make_listening<coeval_pair, coeval_pair_free>(
        progress, [&](auto call, void *user, auto out, auto error) {
            return coeval_pair_align(a.get(), b.get(), how.get(), call, user, out, error);
        }));
}

/// All recordings on one clock.
class Alignment {
public:
    explicit Alignment(detail::Handle<coeval_alignment, coeval_alignment_free> handle) : handle_(std::move(handle)) {}
    static Alignment from_json(const std::string &json) {
        return Alignment(detail::make<coeval_alignment, coeval_alignment_free>(
            [&](auto out, auto error) { return coeval_alignment_from_json(json.c_str(), out, error); }));
    }
    std::string to_json() const { return coeval_alignment_to_json(get()); }
    std::string clock() const { return coeval_alignment_clock(get()); }
    double duration_s() const { return coeval_alignment_duration_s(get()); }
    std::size_t file_count() const { return coeval_alignment_file_count(get()); }
    coeval_file file(std::size_t index) const {
        coeval_file file;
        file.struct_size = sizeof file;
        detail::check([&](auto error) { return coeval_alignment_get_file(get(), index, &file, error); });
        return file;
    }
    std::string path(std::size_t index) const {
        return detail::text(coeval_alignment_file_path(get(), index));
    }
    /// Why a file is unplaced; empty when it is placed.
    std::string reason(std::size_t index) const {
        return detail::text(coeval_alignment_file_reason(get(), index));
    }
    /// The path of the file that this one is a copy of; empty when it is not a copy.
    std::string copy_of(std::size_t index) const {
        return detail::text(coeval_alignment_file_copy_of(get(), index));
    }
    /// The path of the file of which this one holds further tracks; empty when there is none.
    std::string track_of(std::size_t index) const {
        return detail::text(coeval_alignment_file_track_of(get(), index));
    }
    /// The path of the clip that this sound was recorded beside; empty when there is none.
    std::string better_sound_of(std::size_t index) const {
        return detail::text(coeval_alignment_file_better_sound_of(get(), index));
    }
    /// Channels of a file that have something to hear, from 0.
    std::vector<std::size_t> channels(std::size_t index) const {
        return detail::list<std::size_t>(
            [&](auto out, auto n) { return coeval_alignment_file_channels(get(), index, out, n); });
    }
    /// What the recorder calls a channel of a file; empty when it has no name.
    std::string track_name(std::size_t index, std::size_t channel) const {
        return detail::text(coeval_alignment_file_track_name(get(), index, channel));
    }
    std::vector<coeval_knot> knots(std::size_t index) const {
        return detail::list<coeval_knot>(
            [&](auto out, auto n) { return coeval_alignment_file_knots(get(), index, out, n); });
    }
    std::vector<coeval_jump> jumps(std::size_t index) const {
        return detail::list<coeval_jump>(
            [&](auto out, auto n) { return coeval_alignment_file_jumps(get(), index, out, n); });
    }
    std::size_t recording_count() const { return coeval_alignment_recording_count(get()); }
    std::string recording_id(std::size_t index) const {
        return detail::text(coeval_alignment_recording_id(get(), index));
    }
    /// A coeval_kind; -1 when there is no such recording.
    std::int32_t recording_kind(std::size_t index) const { return coeval_alignment_recording_kind(get(), index); }
    std::vector<coeval_recording_pair> pairs() const {
        return detail::all_filled<coeval_recording_pair>(
            coeval_alignment_pair_count(get()),
            [&](auto i, auto out, auto error) { return coeval_alignment_get_pair(get(), i, out, error); });
    }
    /// In the order in which they were added.
    std::vector<coeval_anchor_check> anchors() const {
        return detail::all_filled<coeval_anchor_check>(
            coeval_alignment_anchor_count(get()),
            [&](auto i, auto out, auto error) { return coeval_alignment_get_anchor(get(), i, out, error); });
    }
    std::size_t event_count() const { return coeval_alignment_event_count(get()); }
    /// Event `number`, from 1, as an alignment of its own.
    Alignment event(std::size_t number) const {
        return Alignment(detail::make<coeval_alignment, coeval_alignment_free>(
            [&](auto out, auto error) { return coeval_alignment_event(get(), number, out, error); }));
    }
    ClockMap clock_map(std::size_t index) const {
        return ClockMap(detail::make<coeval_clock_map, coeval_clock_map_free>([&](auto out, auto error) {
            return coeval_alignment_file_clock_map(get(), index, out, error);
        }));
    }
    coeval_alignment *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_alignment, coeval_alignment_free> handle_;
};

/// The recordings of one event.
class Shoot {
public:
    Shoot() : handle_(coeval_shoot_new()) {}
    Shoot &add_path(const std::string &path) {
        detail::check([&](auto error) { return coeval_shoot_add_path(get(), path.c_str(), error); });
        return *this;
    }
    Shoot &add_track(const std::string &name, const std::string &recording, coeval_kind device, Track track) {
        coeval_track *given = track.release();
        try {
            detail::check([&](auto error) {
                return coeval_shoot_add_track(get(), name.c_str(), recording.c_str(), device, &given, error);
            });
        } catch (...) {
            coeval_track_free(&given);
            throw;
        }
        return *this;
    }
    Shoot &exclude(const std::string &pattern) {
        detail::check([&](auto error) { return coeval_shoot_exclude(get(), pattern.c_str(), error); });
        return *this;
    }
    /// Sets an option by the C function that does it: `shoot.set(coeval_shoot_set_main, "rec-1")`.
    template <typename Function, typename... Values> Shoot &set(Function function, const Values &...values) {
        detail::check([&](auto error) { return function(get(), values..., error); });
        return *this;
    }
    Alignment align(const Progress &progress = nullptr) const {
        return Alignment(detail::make_listening<coeval_alignment, coeval_alignment_free>(
            progress, [&](auto call, void *user, auto out, auto error) {
                return coeval_shoot_align(get(), call, user, out, error);
            }));
    }
    coeval_shoot *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_shoot, coeval_shoot_free> handle_;
};

/// Resamples sound along clock maps, in blocks.
class Resampler {
public:
    struct Options {
        double source_rate_hz;
        double target_rate_hz;
        std::size_t channels;
        std::uint64_t frames;
        double start_s = 0.0;
        /// Length of the source in frames, where it is known.
        std::optional<std::uint64_t> source_frames = std::nullopt;
        /// Length of the fades at a jump, seconds.
        double fade_s = 0.005;
    };
    /// Onto the timeline, or with `clip` under that clip.
    Resampler(const ClockMap &source, const Options &options, const ClockMap *clip = nullptr) {
        detail::Handle<coeval_resample_options, coeval_resample_options_free> how(coeval_resample_options_new(
            options.source_rate_hz, options.target_rate_hz, options.channels, options.frames));
        detail::check([&](auto error) {
            return coeval_resample_options_set_start_s(how.get(), options.start_s, error);
        });
        detail::check([&](auto error) {
            return coeval_resample_options_set_fade_s(how.get(), options.fade_s, error);
        });
        if (options.source_frames) {
            detail::check([&](auto error) {
                return coeval_resample_options_set_source_frames(how.get(), *options.source_frames, error);
            });
        }
        handle_ = detail::make<coeval_resampler, coeval_resampler_free>([&](auto out, auto error) {
            return coeval_resampler_new(source.get(), clip ? clip->get() : nullptr, how.get(), out, error);
        });
    }
    /// The source frame to push next; empty when nothing is wanted now.
    std::optional<std::uint64_t> wants() const {
        std::uint64_t frame = 0;
        return coeval_resampler_wants(get(), &frame) ? std::optional(frame) : std::nullopt;
    }
    void push(const float *interleaved, std::size_t frames) {
        detail::check([&](auto error) { return coeval_resampler_push_interleaved(get(), interleaved, frames, error); });
    }
    void push(const float *const *channels, std::size_t frames) {
        detail::check([&](auto error) { return coeval_resampler_push_planar(get(), channels, frames, error); });
    }
    void push_at(std::uint64_t frame, const float *const *channels, std::size_t frames) {
        detail::check([&](auto error) {
            return coeval_resampler_push_at_planar(get(), frame, channels, frames, error);
        });
    }
    /// Takes source frames with their place: the first is source frame `frame`.
    void push_at(std::uint64_t frame, const float *interleaved, std::size_t frames) {
        detail::check([&](auto error) {
            return coeval_resampler_push_at_interleaved(get(), frame, interleaved, frames, error);
        });
    }
    void end_of_source() {
        detail::check([&](auto error) { return coeval_resampler_end_of_source(get(), error); });
    }
    /// Writes up to `capacity` frames, interleaved, and returns their number. `presence` receives how much of each frame
    /// comes from the source.
    std::size_t pull(float *interleaved, std::size_t capacity, float *presence = nullptr) {
        std::size_t frames = 0;
        detail::check([&](auto error) {
            return coeval_resampler_pull_interleaved(get(), interleaved, capacity, presence, &frames, error);
        });
        return frames;
    }
    std::size_t pull(float *const *channels, std::size_t capacity, float *presence = nullptr) {
        std::size_t frames = 0;
        detail::check([&](auto error) {
            return coeval_resampler_pull_planar(get(), channels, capacity, presence, &frames, error);
        });
        return frames;
    }
    /// Begins again at another moment.
    void reset(double start_s) {
        detail::check([&](auto error) { return coeval_resampler_reset(get(), start_s, error); });
    }
    std::uint64_t available() const { return coeval_resampler_available(get()); }
    bool done() const { return coeval_resampler_done(get()) != 0; }
    std::size_t latency_frames() const { return coeval_resampler_latency_frames(get()); }
    coeval_resampler *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_resampler, coeval_resampler_free> handle_;
};

using MarkerOptions =
    detail::Options<coeval_marker_options, coeval_marker_options_new, coeval_marker_options_free>;

/// Finds short sharp sounds.
class MarkerDetector {
public:
    MarkerDetector(double rate_hz, std::size_t channels, const MarkerOptions &options = {})
        : handle_(detail::make<coeval_marker_detector, coeval_marker_detector_free>([&](auto out, auto error) {
              return coeval_marker_detector_new(rate_hz, channels, options.get(), out, error);
          })) {}
    void push(const float *const *channels, std::size_t frames) {
        detail::check([&](auto error) {
            return coeval_marker_detector_push_planar(get(), channels, frames, error);
        });
    }
    void push(const float *interleaved, std::size_t frames) {
        detail::check([&](auto error) {
            return coeval_marker_detector_push_interleaved(get(), interleaved, frames, error);
        });
    }
    void end() {
        detail::check([&](auto error) { return coeval_marker_detector_end(get(), error); });
    }
    /// The markers that are certain by now, in time order.
    std::vector<coeval_marker> markers() const {
        std::vector<coeval_marker> all(coeval_marker_detector_count(get()));
        for (std::size_t i = 0; i < all.size(); ++i) {
            all[i].struct_size = sizeof(coeval_marker);
            detail::check([&](auto error) { return coeval_marker_detector_get(get(), i, &all[i], error); });
        }
        return all;
    }
    coeval_marker_detector *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_marker_detector, coeval_marker_detector_free> handle_;
};

/// Reads linear timecode from one channel.
class LtcDecoder {
public:
    explicit LtcDecoder(double rate_hz)
        : handle_(detail::make<coeval_ltc_decoder, coeval_ltc_decoder_free>(
              [&](auto out, auto error) { return coeval_ltc_decoder_new(rate_hz, out, error); })) {}
    void push(const float *samples, std::size_t frames) {
        detail::check(
            [&](auto error) { return coeval_ltc_decoder_push_interleaved(get(), samples, frames, error); });
    }
    void end() {
        detail::check([&](auto error) { return coeval_ltc_decoder_end(get(), error); });
    }
    /// The frames that are certain by now, in time order.
    std::vector<coeval_ltc_frame> frames() const {
        std::vector<coeval_ltc_frame> all(coeval_ltc_decoder_count(get()));
        for (std::size_t i = 0; i < all.size(); ++i) {
            all[i].struct_size = sizeof(coeval_ltc_frame);
            detail::check([&](auto error) { return coeval_ltc_decoder_get(get(), i, &all[i], error); });
        }
        return all;
    }
    coeval_ltc_decoder *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_ltc_decoder, coeval_ltc_decoder_free> handle_;
};

/// Offset and drift of two recordings, from their markers alone.
class MarkerMatch {
public:
    MarkerMatch(const MarkerDetector &a, const MarkerDetector &b, const PairOptions &options = {}) {
        const auto how = options.handle();
        handle_ = detail::make<coeval_marker_match, coeval_marker_match_free>([&](auto out, auto error) {
            return coeval_marker_match_new(a.get(), b.get(), how.get(), out, error);
        });
    }
    coeval_marker_match_summary summary() const {
        return detail::filled<coeval_marker_match_summary>(
            [&](auto out, auto error) { return coeval_marker_match_get_summary(get(), out, error); });
    }
    std::vector<coeval_marker_pair> pairs() const {
        return detail::list<coeval_marker_pair>(
            [&](auto out, auto n) { return coeval_marker_match_pairs(get(), out, n); });
    }
    coeval_marker_match *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_marker_match, coeval_marker_match_free> handle_;
};

/// Keeps true peaks under a limit.
class Limiter {
public:
    Limiter(double rate_hz, std::size_t channels, double limit_dbtp)
        : handle_(detail::make<coeval_limiter, coeval_limiter_free>([&](auto out, auto error) {
              return coeval_limiter_new(rate_hz, channels, limit_dbtp, out, error);
          })) {}
    void push(const float *interleaved, std::size_t frames) {
        detail::check([&](auto error) { return coeval_limiter_push_interleaved(get(), interleaved, frames, error); });
    }
    void push(const float *const *channels, std::size_t frames) {
        detail::check([&](auto error) { return coeval_limiter_push_planar(get(), channels, frames, error); });
    }
    void end() {
        detail::check([&](auto error) { return coeval_limiter_end(get(), error); });
    }
    std::size_t pull(float *interleaved, std::size_t capacity) {
        std::size_t frames = 0;
        detail::check([&](auto error) {
            return coeval_limiter_pull_interleaved(get(), interleaved, capacity, &frames, error);
        });
        return frames;
    }
    std::size_t pull(float *const *channels, std::size_t capacity) {
        std::size_t frames = 0;
        detail::check([&](auto error) {
            return coeval_limiter_pull_planar(get(), channels, capacity, &frames, error);
        });
        return frames;
    }
    std::size_t latency_frames() const { return coeval_limiter_latency_frames(get()); }
    coeval_limiter *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_limiter, coeval_limiter_free> handle_;
};

/// What a LevelMeter found.
class LevelReport {
public:
    explicit LevelReport(detail::Handle<coeval_level_report, coeval_level_report_free> handle)
        : handle_(std::move(handle)) {}
    coeval_level_summary summary() const {
        return detail::filled<coeval_level_summary>(
            [&](auto out, auto error) { return coeval_level_report_get_summary(get(), out, error); });
    }
    std::vector<coeval_channel_level> channels() const {
        return detail::all_filled<coeval_channel_level>(
            summary().channel_count,
            [&](auto i, auto out, auto error) { return coeval_level_report_get_channel(get(), i, out, error); });
    }
    std::vector<coeval_stretch> stretches(coeval_stretches what) const {
        return detail::list<coeval_stretch>(
            [&](auto out, auto n) { return coeval_level_report_stretches(get(), what, out, n); });
    }
    /// Advice in words, and whether it is serious.
    std::vector<std::pair<bool, std::string>> advice() const {
        std::vector<std::pair<bool, std::string>> all;
        std::int32_t serious = 0;
        while (const char *text = coeval_level_report_advice(get(), all.size(), &serious)) {
            all.emplace_back(serious != 0, text);
        }
        return all;
    }
    coeval_level_report *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_level_report, coeval_level_report_free> handle_;
};

/// Measures levels as blocks go by.
class LevelMeter {
public:
    LevelMeter(double rate_hz, std::size_t channels)
        : handle_(detail::make<coeval_level_meter, coeval_level_meter_free>([&](auto out, auto error) {
              return coeval_level_meter_new_hz(rate_hz, channels, out, error);
          })) {}
    void push(const float *interleaved, std::size_t frames) {
        detail::check([&](auto error) {
            return coeval_level_meter_push_interleaved(get(), interleaved, frames, error);
        });
    }
    void push(const float *const *channels, std::size_t frames) {
        detail::check([&](auto error) { return coeval_level_meter_push_planar(get(), channels, frames, error); });
    }
    /// The readings. The meter is used up.
    LevelReport finish() {
        return detail::finish(handle_, [](auto given) {
            return LevelReport(detail::make<coeval_level_report, coeval_level_report_free>(
                [&](auto out, auto error) { return coeval_level_meter_finish(given, out, error); }));
        });
    }
    coeval_level_meter *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_level_meter, coeval_level_meter_free> handle_;
};

using SpeechOptions =
    detail::Options<coeval_speech_options, coeval_speech_options_new, coeval_speech_options_free>;

/// Stretches of speech, in time order.
class SpeechSegments {
public:
    explicit SpeechSegments(detail::Handle<coeval_speech_segments, coeval_speech_segments_free> handle)
        : handle_(std::move(handle)) {}
    std::vector<coeval_speech_segment> all() const {
        return detail::all_filled<coeval_speech_segment>(
            coeval_speech_segments_count(get()),
            [&](auto i, auto out, auto error) { return coeval_speech_segments_get(get(), i, out, error); });
    }
    /// Where a voice comes from, a coeval_origin. `shared` is what a SharedMeter found.
    std::int32_t origin(std::size_t index, double shared) const {
        return coeval_speech_segments_origin(get(), index, shared);
    }
    coeval_speech_segments *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_speech_segments, coeval_speech_segments_free> handle_;
};

/// Measures how surely a camera hears the same speech as the recorder, stretch by stretch.
class SharedMeter {
public:
    explicit SharedMeter(const SpeechSegments &segments)
        : count_(coeval_speech_segments_count(segments.get())),
          handle_(detail::make<coeval_shared_meter, coeval_shared_meter_free>(
              [&](auto out, auto error) { return coeval_shared_meter_new(segments.get(), out, error); })) {}
    void push(const float *recorder, const float *camera, std::size_t samples) {
        detail::check([&](auto error) { return coeval_shared_meter_push(get(), recorder, camera, samples, error); });
    }
    /// One figure for each stretch. The meter is used up.
    std::vector<double> finish() {
        return detail::finish(handle_, [&](auto given) {
            std::vector<double> shared(count_);
            detail::check([&](auto error) {
                return coeval_shared_meter_finish(given, shared.data(), shared.size(), error);
            });
            return shared;
        });
    }
    coeval_shared_meter *get() const noexcept { return handle_.get(); }

private:
    std::size_t count_;
    detail::Handle<coeval_shared_meter, coeval_shared_meter_free> handle_;
};

/// Probability of speech over time, one value for every COEVAL_SPEECH_STEP_S.
class SpeechCurve {
public:
    explicit SpeechCurve(detail::Handle<coeval_speech_curve, coeval_speech_curve_free> handle)
        : handle_(std::move(handle)) {}
    std::vector<float> probability() const {
        return detail::list<float>([&](auto out, auto n) { return coeval_speech_curve_probability(get(), out, n); });
    }
    static SpeechCurve from_values(const std::vector<float> &probability) {
        return SpeechCurve(detail::make<coeval_speech_curve, coeval_speech_curve_free>([&](auto out, auto error) {
            return coeval_speech_curve_from_values(probability.data(), probability.size(), out, error);
        }));
    }
    SpeechSegments find_segments(const coeval_speech_options *options = nullptr) const {
        return SpeechSegments(detail::make<coeval_speech_segments, coeval_speech_segments_free>(
            [&](auto out, auto error) { return coeval_speech_curve_segments(get(), options, out, error); }));
    }
    /// Stretches of speech, in time order; `options` may be null for the defaults.
    std::vector<coeval_speech_segment> segments(const coeval_speech_options *options = nullptr) const {
        return find_segments(options).all();
    }
    coeval_speech_curve *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_speech_curve, coeval_speech_curve_free> handle_;
};

/// Detects when someone speaks, in sound that arrives in blocks.
class SpeechBuilder {
public:
    SpeechBuilder(double rate_hz, std::size_t channels)
        : handle_(detail::make<coeval_speech_builder, coeval_speech_builder_free>([&](auto out, auto error) {
              return coeval_speech_builder_new(rate_hz, channels, out, error);
          })) {}
    /// Takes the next `frames` frames, interleaved.
    void push(const float *interleaved, std::size_t frames) {
        detail::check([&](auto error) {
            return coeval_speech_builder_push_interleaved(get(), interleaved, frames, error);
        });
    }
    /// Takes the next `frames` frames, one pointer for each channel.
    void push(const float *const *channels, std::size_t frames) {
        detail::check([&](auto error) { return coeval_speech_builder_push_planar(get(), channels, frames, error); });
    }
    /// The finished curve. The builder is used up.
    SpeechCurve finish() {
        coeval_speech_builder *builder = handle_.release();
        try {
            return SpeechCurve(detail::make<coeval_speech_curve, coeval_speech_curve_free>([&](auto out, auto error) {
                return coeval_speech_builder_finish(&builder, out, error);
            }));
        } catch (...) {
            handle_.reset(builder);
            throw;
        }
    }
    coeval_speech_builder *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_speech_builder, coeval_speech_builder_free> handle_;
};

/// When someone speaks in a shoot.
class Voices {
public:
    explicit Voices(detail::Handle<coeval_voices, coeval_voices_free> handle) : handle_(std::move(handle)) {}
    static Voices from_json(const std::string &json, const Alignment &alignment) {
        return Voices(detail::make<coeval_voices, coeval_voices_free>([&](auto out, auto error) {
            return coeval_voices_from_json(json.c_str(), alignment.get(), out, error);
        }));
    }
    std::string to_json() const { return detail::text(coeval_voices_to_json(get())); }
    std::string recorder() const { return detail::text(coeval_voices_recorder(get())); }
    std::vector<coeval_voice> all() const {
        return detail::all_filled<coeval_voice>(coeval_voices_count(get()), [&](auto i, auto out, auto error) {
            return coeval_voices_get(get(), i, out, error);
        });
    }
    /// Cameras that ran during a voice, and how surely each hears it.
    std::vector<std::pair<std::string, double>> cameras(std::size_t index) const {
        std::vector<std::pair<std::string, double>> all;
        double shared = 0.0;
        while (const char *id = coeval_voices_camera(get(), index, all.size(), &shared)) {
            all.emplace_back(id, shared);
        }
        return all;
    }
    coeval_voices *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_voices, coeval_voices_free> handle_;
};

/// Finds when someone speaks. Reads a shoot's recorder and cameras once. `folder` is the one that the alignment's file
/// names are relative to.
inline Voices hear(const Alignment &alignment, const std::string &folder, bool allow_ffmpeg = false,
                   const Progress &progress = nullptr) {
    return Voices(detail::make_listening<coeval_voices, coeval_voices_free>(
        progress, [&](auto call, void *user, auto out, auto error) {
            return coeval_alignment_hear(alignment.get(), folder.c_str(), allow_ffmpeg ? 1 : 0, call, user, out, error);
        }));
}

using TightenOptions =
    detail::Options<coeval_tighten_options, coeval_tighten_options_new, coeval_tighten_options_free>;
using MixOptions = detail::Options<coeval_mix_options, coeval_mix_options_new, coeval_mix_options_free>;

/// A plan of a rough cut.
class Plan {
public:
    explicit Plan(detail::Handle<coeval_plan, coeval_plan_free> handle) : handle_(std::move(handle)) {}
    static Plan from_json(const std::string &json) {
        return Plan(detail::make<coeval_plan, coeval_plan_free>(
            [&](auto out, auto error) { return coeval_plan_from_json(json.c_str(), out, error); }));
    }
    std::string to_json() const { return detail::text(coeval_plan_to_json(get())); }
    double shown_s() const { return coeval_plan_shown_s(get()); }
    /// Frame rate (fps): numerator and denominator.
    std::pair<std::uint32_t, std::uint32_t> frame_rate() const {
        std::pair<std::uint32_t, std::uint32_t> rate;
        detail::check([&](auto error) { return coeval_plan_frame_rate(get(), &rate.first, &rate.second, error); });
        return rate;
    }
    /// Their texts live as long as the plan.
    std::vector<coeval_plan_entry> entries() const {
        return detail::all_filled<coeval_plan_entry>(
            coeval_plan_entry_count(get()),
            [&](auto i, auto out, auto error) { return coeval_plan_get_entry(get(), i, out, error); });
    }
    std::vector<std::string> notes() const {
        std::vector<std::string> all;
        while (const char *note = coeval_plan_note(get(), all.size())) {
            all.emplace_back(note);
        }
        return all;
    }
    /// Writes the cut's sound to a file.
    coeval_rendered render(const Alignment &alignment, const Voices &voices, const std::string &folder,
                           const std::string &file, const MixOptions &options = {},
                           const Progress &progress = nullptr) const {
        detail::Listener listener{progress, nullptr};
        try {
            return detail::filled<coeval_rendered>([&](auto out, auto error) {
                return coeval_plan_render(get(), alignment.get(), voices.get(), folder.c_str(), options.get(),
                                          file.c_str(), progress ? &detail::Listener::call : nullptr, &listener, out,
                                          error);
            });
        } catch (const Error &) {
            if (listener.thrown) {
                std::rethrow_exception(listener.thrown);
            }
            throw;
        }
    }
    coeval_plan *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_plan, coeval_plan_free> handle_;
};

/// Plans a rough cut.
inline Plan tighten(const Alignment &alignment, const Voices &voices, const TightenOptions &options = {}) {
    return Plan(detail::make<coeval_plan, coeval_plan_free>([&](auto out, auto error) {
        return coeval_tighten(alignment.get(), voices.get(), options.get(), out, error);
    }));
}

} // namespace coeval

#endif // COEVAL_HPP
