// Coeval for C++17: owners for the handles of coeval.h, failures as exceptions. Header only.
//
// Objects own what they hold and can be moved, not copied. The rules of coeval.h hold, among them
// those on threads. get() gives the C handle for what is not wrapped here.
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
    Error(coeval_status status, const std::string &text) : std::runtime_error(text), status_(status) {}
    /// What went wrong, for programs.
    coeval_status status() const noexcept { return status_; }

private:
    coeval_status status_;
};

/// Hears how far work has come; returns false to stop it, which throws an Error with COEVAL_CANCELLED.
/// May be called from another thread, one call at a time. What it throws comes out of the call.
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
        throw Error(status, coeval_error_text(error.get()));
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
    double max_drift_ppm = 500.0;
    /// Where the offset is known to lie: lowest and highest value in seconds.
    std::optional<std::pair<double, double>> offset_range_s;
    /// Threads of one comparison, 0 to 1024; 0: as many as the machine has cores.
    std::size_t threads = 0;

    detail::Handle<coeval_pair_options, coeval_pair_options_free> handle() const {
        detail::Handle<coeval_pair_options, coeval_pair_options_free> made(coeval_pair_options_new());
        detail::check([&](auto error) {
            return coeval_pair_options_set_max_drift_ppm(made.get(), max_drift_ppm, error);
        });
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

/// How two tracks lie on each other, or that they do not.
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
        const char *text = coeval_pair_reason(get());
        return text ? text : "";
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
    std::vector<coeval_evidence> evidence() const {
        return detail::list<coeval_evidence>([&](auto out, auto n) { return coeval_pair_evidence(get(), out, n); });
    }
    std::string to_json() const { return coeval_pair_to_json(get()); }
    coeval_pair *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_pair, coeval_pair_free> handle_;
};

/// Compares two tracks: how b lies on a.
inline Pair align_pair(const Track &a, const Track &b, const PairOptions &options = {},
                       const Progress &progress = nullptr) {
    const auto how = options.handle();
    return Pair(detail::make_listening<coeval_pair, coeval_pair_free>(
        progress, [&](auto call, void *user, auto out, auto error) {
            return coeval_align_pair(a.get(), b.get(), how.get(), call, user, out, error);
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
        const char *text = coeval_alignment_file_path(get(), index);
        return text ? text : "";
    }
    /// Why a file is unplaced; empty when it is placed.
    std::string reason(std::size_t index) const {
        const char *text = coeval_alignment_file_reason(get(), index);
        return text ? text : "";
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
    };
    /// Onto the timeline, or with `clip` under that clip.
    Resampler(const ClockMap &source, const Options &options, const ClockMap *clip = nullptr) {
        detail::Handle<coeval_resample_options, coeval_resample_options_free> how(coeval_resample_options_new(
            options.source_rate_hz, options.target_rate_hz, options.channels, options.frames));
        detail::check([&](auto error) {
            return coeval_resample_options_set_start_s(how.get(), options.start_s, error);
        });
        handle_ = detail::make<coeval_resampler, coeval_resampler_free>([&](auto out, auto error) {
            return coeval_resampler_new(source.get(), clip ? clip->get() : nullptr, how.get(), out, error);
        });
    }
    /// The source frame to push next; none when nothing is wanted now.
    std::optional<std::uint64_t> wants() const {
        std::uint64_t frame = 0;
        return coeval_resampler_wants(get(), &frame) ? std::optional(frame) : std::nullopt;
    }
    void push(const float *interleaved, std::size_t frames) {
        detail::check([&](auto error) { return coeval_resampler_push_interleaved(get(), interleaved, frames, error); });
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
    /// Writes up to `capacity` frames, interleaved, and returns their number.
    std::size_t pull(float *interleaved, std::size_t capacity) {
        std::size_t frames = 0;
        detail::check([&](auto error) {
            return coeval_resampler_pull_interleaved(get(), interleaved, capacity, nullptr, &frames, error);
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

/// Finds short sharp sounds.
class MarkerDetector {
public:
    MarkerDetector(double rate_hz, std::size_t channels)
        : handle_(detail::make<coeval_marker_detector, coeval_marker_detector_free>([&](auto out, auto error) {
              return coeval_marker_detector_new(rate_hz, channels, nullptr, out, error);
          })) {}
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

/// Probability of speech over time, one value for every COEVAL_SPEECH_STEP_S.
class SpeechCurve {
public:
    explicit SpeechCurve(detail::Handle<coeval_speech_curve, coeval_speech_curve_free> handle)
        : handle_(std::move(handle)) {}
    std::vector<float> probability() const {
        return detail::list<float>([&](auto out, auto n) { return coeval_speech_curve_probability(get(), out, n); });
    }
    /// Stretches of speech, in time order; `options` may be null for the defaults.
    std::vector<coeval_speech_segment> segments(const coeval_speech_options *options = nullptr) const {
        const auto found = detail::make<coeval_speech_segments, coeval_speech_segments_free>(
            [&](auto out, auto error) { return coeval_speech_curve_segments(get(), options, out, error); });
        std::vector<coeval_speech_segment> all(coeval_speech_segments_count(found.get()));
        for (std::size_t i = 0; i < all.size(); ++i) {
            all[i].struct_size = sizeof(coeval_speech_segment);
            detail::check([&](auto error) { return coeval_speech_segments_get(found.get(), i, &all[i], error); });
        }
        return all;
    }
    coeval_speech_curve *get() const noexcept { return handle_.get(); }

private:
    detail::Handle<coeval_speech_curve, coeval_speech_curve_free> handle_;
};

/// Hears sound block by block and judges whether somebody speaks.
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

} // namespace coeval

#endif // COEVAL_HPP
