// The one door to the vendored library: html, render and hooks.
export {
  Component,
  createContext,
  html,
  render,
  useCallback,
  useContext,
  useEffect,
  useErrorBoundary,
  useLayoutEffect,
  useMemo,
  useReducer,
  useRef,
  useState,
} from "../vendor/htm-preact.mjs";
