/* coevalconform: sound follows a clock map while its buffers stream. What goes in is on a recorder's clock, what comes out
 * on the clock that the map leads to (a camera's, say), from its time zero on; a seek is a seek on that clock.
 *
 * `map` is JSON text, as coevalalign posts it, or the path of a file of it. */
#include <math.h>

#include "elements.h"

typedef struct Conform {
    GstElement parent;
    GstPad *sink, *src;
    gchar *map_text;
    coeval_clock_map *map;
    coeval_resampler *resampler;
    coeval_error *error;
    GstAudioInfo info;
    double start_s;     /* where output begins, after the last seek */
    guint64 made;       /* frames since then */
    guint64 next_frame; /* of the source, where buffers have no time */
    gboolean segment_sent, discont;
    guint32 seqnum;
} Conform;

typedef struct ConformClass {
    GstElementClass parent;
} ConformClass;

G_DEFINE_TYPE(Conform, coeval_gst_conform, GST_TYPE_ELEMENT)

enum { PROP_0, PROP_MAP };
enum { BLOCK = 4096 };

static GstStaticPadTemplate sink_pad =
    GST_STATIC_PAD_TEMPLATE("sink", GST_PAD_SINK, GST_PAD_ALWAYS, GST_STATIC_CAPS(COEVAL_CAPS));
static GstStaticPadTemplate src_pad =
    GST_STATIC_PAD_TEMPLATE("src", GST_PAD_SRC, GST_PAD_ALWAYS, GST_STATIC_CAPS(COEVAL_CAPS));

static gboolean failed(Conform *self) {
    GST_ELEMENT_ERROR(self, STREAM, FAILED, ("%s", coeval_error_text(self->error)), (NULL));
    return FALSE;
}

static GstClockTime time_of(double seconds) { return (GstClockTime)llround(fmax(seconds, 0.0) * GST_SECOND); }

/* The map, read when it is first needed. */
static gboolean have_map(Conform *self) {
    gchar *text = NULL;
    gboolean good;
    if (self->map != NULL) return TRUE;
    if (self->map_text == NULL) {
        GST_ELEMENT_ERROR(self, RESOURCE, SETTINGS, ("coevalconform has no map"), (NULL));
        return FALSE;
    }
    if (self->map_text[0] != '{' && !g_file_get_contents(self->map_text, &text, NULL, NULL)) {
        GST_ELEMENT_ERROR(self, RESOURCE, READ, ("cannot read the map %s", self->map_text), (NULL));
        return FALSE;
    }
    good = coeval_clock_map_from_json(text ? text : self->map_text, &self->map, self->error) == COEVAL_OK;
    g_free(text);
    return good || failed(self);
}

static gboolean begin(Conform *self) {
    coeval_resample_options *options;
    gboolean good;
    if (!have_map(self)) return FALSE;
    coeval_resampler_free(&self->resampler);
    options = coeval_resample_options_new(self->info.rate, self->info.rate, (size_t)self->info.channels, COEVAL_OPEN_END);
    good = coeval_resample_options_set_start_s(options, self->start_s, self->error) == COEVAL_OK &&
           coeval_resampler_new(self->map, NULL, options, &self->resampler, self->error) == COEVAL_OK;
    coeval_resample_options_free(&options);
    return good || failed(self);
}

/* Hands on what can be made. */
static GstFlowReturn drain(Conform *self) {
    const int rate = self->info.rate;
    const size_t frame_bytes = (size_t)self->info.bpf;
    GstFlowReturn flow = GST_FLOW_OK;
    while (flow == GST_FLOW_OK) {
        GstBuffer *out = gst_buffer_new_allocate(NULL, BLOCK * frame_bytes, NULL);
        GstMapInfo info;
        size_t frames = 0;
        GstClockTime from, to;
        coeval_status status;
        gst_buffer_map(out, &info, GST_MAP_WRITE);
        status = coeval_resampler_pull_interleaved(self->resampler, (float *)(void *)info.data, BLOCK, NULL, &frames,
                                                   self->error);
        gst_buffer_unmap(out, &info);
        if (status != COEVAL_OK || frames == 0) {
            gst_buffer_unref(out);
            if (status == COEVAL_OK) return GST_FLOW_OK;
            failed(self);
            return GST_FLOW_ERROR;
        }
        gst_buffer_set_size(out, (gssize)(frames * frame_bytes));
        from = time_of(self->start_s + (double)self->made / rate);
        self->made += frames;
        to = time_of(self->start_s + (double)self->made / rate);
        GST_BUFFER_PTS(out) = from;
        GST_BUFFER_DURATION(out) = to - from;
        if (self->discont) GST_BUFFER_FLAG_SET(out, GST_BUFFER_FLAG_DISCONT);
        self->discont = FALSE;
        flow = gst_pad_push(self->src, out);
    }
    return flow;
}

/* Silence up to `frame`, where the source has a hole. */
static GstFlowReturn fill_hole(Conform *self, guint64 wanted, guint64 frame) {
    static const float silence[BLOCK];
    const size_t room = BLOCK / (size_t)self->info.channels;
    while (wanted < frame) {
        const size_t frames = MIN(frame - wanted, room);
        GstFlowReturn flow;
        if (coeval_resampler_push_at_interleaved(self->resampler, wanted, silence, frames, self->error) != COEVAL_OK) {
            failed(self);
            return GST_FLOW_ERROR;
        }
        if ((flow = drain(self)) != GST_FLOW_OK) return flow;
        if (!coeval_resampler_wants(self->resampler, &wanted)) break;
    }
    return GST_FLOW_OK;
}

static GstFlowReturn conform_chain(GstPad *pad, GstObject *parent, GstBuffer *buffer) {
    Conform *self = (Conform *)parent;
    GstFlowReturn flow;
    GstMapInfo info;
    guint64 frame, wanted;
    size_t frames;
    (void)pad;
    if (self->resampler == NULL) {
        gst_buffer_unref(buffer);
        return GST_FLOW_NOT_NEGOTIATED;
    }
    frame = self->next_frame;
    if (GST_BUFFER_PTS_IS_VALID(buffer)) {
        const guint64 told = gst_util_uint64_scale_round(GST_BUFFER_PTS(buffer), (guint64)self->info.rate, GST_SECOND);
        /* Times are rounded; a frame's difference is none. */
        if (GST_BUFFER_FLAG_IS_SET(buffer, GST_BUFFER_FLAG_DISCONT) || told > frame + 1 || frame > told + 1) frame = told;
    }
    flow = drain(self);
    gst_buffer_map(buffer, &info, GST_MAP_READ);
    frames = info.size / (size_t)self->info.bpf;
    if (flow == GST_FLOW_OK && coeval_resampler_wants(self->resampler, &wanted)) flow = fill_hole(self, wanted, frame);
    /* Where the map jumps within the block, the block is wanted again from a later frame on. */
    while (flow == GST_FLOW_OK && coeval_resampler_wants(self->resampler, &wanted) && wanted < frame + frames) {
        const coeval_status status = coeval_resampler_push_at_interleaved(
            self->resampler, frame, (const float *)(const void *)info.data, frames, self->error);
        if (status != COEVAL_OK) {
            failed(self);
            flow = GST_FLOW_ERROR;
        } else {
            flow = drain(self);
        }
    }
    gst_buffer_unmap(buffer, &info);
    self->next_frame = frame + frames;
    gst_buffer_unref(buffer);
    return flow == GST_FLOW_OK && coeval_resampler_done(self->resampler) ? GST_FLOW_EOS : flow;
}

static gboolean send_segment(Conform *self) {
    GstSegment segment;
    GstEvent *event;
    gst_segment_init(&segment, GST_FORMAT_TIME);
    segment.start = segment.time = segment.position = time_of(self->start_s);
    event = gst_event_new_segment(&segment);
    if (self->seqnum != 0) gst_event_set_seqnum(event, self->seqnum);
    return gst_pad_push_event(self->src, event);
}

static gboolean conform_event(GstPad *pad, GstObject *parent, GstEvent *event) {
    Conform *self = (Conform *)parent;
    switch (GST_EVENT_TYPE(event)) {
    case GST_EVENT_CAPS: {
        GstCaps *caps;
        gst_event_parse_caps(event, &caps);
        if (!gst_audio_info_from_caps(&self->info, caps) || !begin(self)) {
            gst_event_unref(event);
            return FALSE;
        }
        break;
    }
    case GST_EVENT_SEGMENT: {
        const GstSegment *segment;
        gst_event_parse_segment(event, &segment);
        if (segment->format != GST_FORMAT_TIME) {
            GST_ELEMENT_ERROR(self, STREAM, FORMAT, ("coevalconform needs times"), (NULL));
            gst_event_unref(event);
            return FALSE;
        }
        self->next_frame = gst_util_uint64_scale_round(segment->start, (guint64)MAX(self->info.rate, 1), GST_SECOND);
        gst_event_unref(event);
        return send_segment(self);
    }
    case GST_EVENT_FLUSH_STOP:
        self->made = 0;
        self->discont = TRUE;
        if (self->resampler != NULL && coeval_resampler_reset(self->resampler, self->start_s, self->error) != COEVAL_OK)
            failed(self);
        break;
    case GST_EVENT_EOS:
        if (self->resampler != NULL) {
            uint64_t wanted;
            /* Where a jump lies at the very end, more than one end is asked for. */
            while (!coeval_resampler_done(self->resampler)) {
                if (coeval_resampler_wants(self->resampler, &wanted)) coeval_resampler_end_of_source(self->resampler, NULL);
                if (drain(self) != GST_FLOW_OK) break;
            }
        }
        break;
    default:
        break;
    }
    return gst_pad_event_default(pad, parent, event);
}

/* A seek on the output's clock becomes one on the source's. */
static gboolean conform_seek(Conform *self, GstEvent *event) {
    gdouble rate;
    GstFormat format;
    GstSeekFlags flags;
    GstSeekType start_type, stop_type;
    gint64 start, stop;
    double source_s;
    GstEvent *up;
    gst_event_parse_seek(event, &rate, &format, &flags, &start_type, &start, &stop_type, &stop);
    self->seqnum = gst_event_get_seqnum(event);
    gst_event_unref(event);
    if (format != GST_FORMAT_TIME || rate != 1.0 || start_type != GST_SEEK_TYPE_SET || !(flags & GST_SEEK_FLAG_FLUSH) ||
        !have_map(self))
        return FALSE;
    self->start_s = (double)start / GST_SECOND;
    source_s = coeval_clock_map_to_file(self->map, self->start_s);
    /* The first frame out needs sound from before it. */
    if (self->resampler != NULL)
        source_s -= (double)(coeval_resampler_latency_frames(self->resampler) + 2) / self->info.rate;
    up = gst_event_new_seek(1.0, GST_FORMAT_TIME, flags | GST_SEEK_FLAG_ACCURATE, GST_SEEK_TYPE_SET,
                            (gint64)time_of(source_s), GST_SEEK_TYPE_NONE, -1);
    gst_event_set_seqnum(up, self->seqnum);
    return gst_pad_push_event(self->sink, up);
}

static gboolean conform_src_event(GstPad *pad, GstObject *parent, GstEvent *event) {
    if (GST_EVENT_TYPE(event) == GST_EVENT_SEEK) return conform_seek((Conform *)parent, event);
    return gst_pad_event_default(pad, parent, event);
}

static gboolean conform_query(GstPad *pad, GstObject *parent, GstQuery *query) {
    Conform *self = (Conform *)parent;
    switch (GST_QUERY_TYPE(query)) {
    case GST_QUERY_LATENCY: {
        gboolean live;
        GstClockTime least, most;
        if (!gst_pad_peer_query(self->sink, query)) return FALSE;
        if (self->resampler != NULL) {
            const GstClockTime mine = time_of((double)coeval_resampler_latency_frames(self->resampler) / self->info.rate);
            gst_query_parse_latency(query, &live, &least, &most);
            gst_query_set_latency(query, live, least + mine, GST_CLOCK_TIME_IS_VALID(most) ? most + mine : most);
        }
        return TRUE;
    }
    case GST_QUERY_DURATION: {
        GstFormat format;
        gint64 duration;
        gst_query_parse_duration(query, &format, NULL);
        if (format != GST_FORMAT_TIME || !have_map(self) || !gst_pad_peer_query(self->sink, query)) return FALSE;
        gst_query_parse_duration(query, NULL, &duration);
        if (duration >= 0)
            gst_query_set_duration(query, GST_FORMAT_TIME,
                                   (gint64)time_of(coeval_clock_map_to_timeline(self->map, (double)duration / GST_SECOND)));
        return TRUE;
    }
    case GST_QUERY_POSITION: {
        GstFormat format;
        gst_query_parse_position(query, &format, NULL);
        if (format != GST_FORMAT_TIME || self->info.rate == 0) return FALSE;
        gst_query_set_position(query, format, (gint64)time_of(self->start_s + (double)self->made / self->info.rate));
        return TRUE;
    }
    default:
        return gst_pad_query_default(pad, parent, query);
    }
}

static GstStateChangeReturn conform_state(GstElement *element, GstStateChange change) {
    Conform *self = (Conform *)element;
    const GstStateChangeReturn done = GST_ELEMENT_CLASS(coeval_gst_conform_parent_class)->change_state(element, change);
    if (change == GST_STATE_CHANGE_PAUSED_TO_READY) {
        coeval_resampler_free(&self->resampler);
        self->start_s = 0.0;
        self->made = self->next_frame = 0;
    }
    return done;
}

static void conform_set(GObject *object, guint id, const GValue *value, GParamSpec *spec) {
    Conform *self = (Conform *)object;
    if (id != PROP_MAP) {
        G_OBJECT_WARN_INVALID_PROPERTY_ID(object, id, spec);
        return;
    }
    /* It holds from the next run on. */
    g_free(self->map_text);
    self->map_text = g_value_dup_string(value);
    coeval_clock_map_free(&self->map);
}

static void conform_get(GObject *object, guint id, GValue *value, GParamSpec *spec) {
    if (id == PROP_MAP)
        g_value_set_string(value, ((Conform *)object)->map_text);
    else
        G_OBJECT_WARN_INVALID_PROPERTY_ID(object, id, spec);
}

static void conform_finalize(GObject *object) {
    Conform *self = (Conform *)object;
    coeval_resampler_free(&self->resampler);
    coeval_clock_map_free(&self->map);
    coeval_error_free(&self->error);
    g_free(self->map_text);
    G_OBJECT_CLASS(coeval_gst_conform_parent_class)->finalize(object);
}

static void coeval_gst_conform_class_init(ConformClass *class) {
    GObjectClass *object = G_OBJECT_CLASS(class);
    GstElementClass *element = GST_ELEMENT_CLASS(class);
    object->set_property = conform_set;
    object->get_property = conform_get;
    object->finalize = conform_finalize;
    g_object_class_install_property(
        object, PROP_MAP,
        g_param_spec_string("map", "Map", "Clock map as JSON text, or the path of a file of it", NULL,
                            G_PARAM_READWRITE | G_PARAM_STATIC_STRINGS | GST_PARAM_MUTABLE_READY));
    element->change_state = conform_state;
    gst_element_class_add_static_pad_template(element, &sink_pad);
    gst_element_class_add_static_pad_template(element, &src_pad);
    gst_element_class_set_static_metadata(element, "Coeval conform", "Filter/Converter/Audio",
                                          "Moves sound onto another clock, along a clock map", "The Coeval developers");
}

static void coeval_gst_conform_init(Conform *self) {
    self->error = coeval_error_new();
    self->discont = TRUE;
    gst_audio_info_init(&self->info);
    self->sink = gst_pad_new_from_static_template(&sink_pad, "sink");
    gst_pad_set_chain_function(self->sink, conform_chain);
    gst_pad_set_event_function(self->sink, conform_event);
    GST_PAD_SET_PROXY_CAPS(self->sink);
    gst_element_add_pad(GST_ELEMENT(self), self->sink);
    self->src = gst_pad_new_from_static_template(&src_pad, "src");
    gst_pad_set_event_function(self->src, conform_src_event);
    gst_pad_set_query_function(self->src, conform_query);
    GST_PAD_SET_PROXY_CAPS(self->src);
    gst_element_add_pad(GST_ELEMENT(self), self->src);
}
